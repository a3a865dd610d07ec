"""What a hydraulic actuator must do to move in sines: speed, acceleration, oil, valve.

`travel` is peak to peak [m], `frequency` [Hz], `area` [m2] the same on both sides of the piston.
Kinematics of a sine and the equation of an orifice; text-book formulas.
"""

from __future__ import annotations

import math


def peak_speed(travel: float, frequency: float) -> float:
    """Return the largest speed [m/s] of a sine: pi f s."""
    return math.pi * frequency * travel


def peak_acceleration(travel: float, frequency: float) -> float:
    """Return the largest acceleration [m/s2] of a sine: 2 pi^2 f^2 s."""
    return 2 * math.pi**2 * frequency**2 * travel


def largest_travel(speed: float, frequency: float) -> float:
    """Return the travel [m] of the largest sine that needs no more than a speed [m/s]."""
    return speed / (math.pi * frequency)


def peak_flow(area: float, travel: float, frequency: float) -> float:
    """Return the largest flow of oil [m3/s] in a cycle."""
    return area * peak_speed(travel, frequency)


def mean_flow(area: float, travel: float, frequency: float) -> float:
    """Return the flow of oil [m3/s] over whole cycles: the piston is filled twice in each."""
    return 2 * travel * frequency * area


def valve_flow(rated: float, rated_drop: float, supply: float, load_pressure: float) -> float:
    """Return what a servo valve passes [m3/s]: its rated flow times sqrt((ps - pL) / rated drop).

    `rated` [m3/s] holds at the pressure drop `rated_drop` [Pa]; `supply` ps and `load_pressure`
    pL = force / area [Pa]. 0 where the load takes all the pressure there is.
    """
    return rated * math.sqrt(max(0.0, supply - load_pressure) / rated_drop)


def rated_flow_needed(
    peak: float, mean_pressure: float, amplitude_pressure: float, supply: float, rated_drop: float
) -> float:
    """Return the rated flow [m3/s] of the valve that drives a sine against a spring.

    The flow is `peak` cos(x) [m3/s] while the load pressure is `mean_pressure` +
    `amplitude_pressure` sin(x) [Pa]. What the valve must open for is cos(x) / sqrt(p - q sin(x))
    at its largest, p being what the mean load leaves of the supply and q the amplitude; it lies
    at sin(x) = (p - sqrt(p^2 - q^2)) / q. Infinite where the top of the load cannot be held.
    """
    left, swing = supply - mean_pressure, abs(amplitude_pressure)
    if left <= 0 or swing > left:
        return math.inf
    # (p - sqrt(p^2 - q^2)) / q^2, written so that no load at all is no division by zero.
    squared = 2 / (left + math.sqrt(left**2 - swing**2))
    return peak * math.sqrt(rated_drop * squared)
