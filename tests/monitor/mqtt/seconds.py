"""A second of cycles that all are like the newest one of a view."""

from rig.monitor.mqtt.second import Second
from rig.monitor.view import View


def one_second(view: View, counted: int = 4) -> Second:
    """Return that the newest cycles were all the same, as the view's status has them."""
    now = view.status
    return Second(
        cycle=now.cycles,
        time=now.time,
        counted=counted,
        load_max=now.load_max,
        load_max_least=now.load_max,
        load_min=now.load_min,
        load_min_most=now.load_min,
        deflection_max=now.deflection_max,
        deflection_min=now.deflection_min,
        stiffness=now.stiffness,
        frequency=now.frequency,
    )
