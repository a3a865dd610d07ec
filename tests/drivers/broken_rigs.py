"""Simulated rigs with something wrong about them, and the test of the contract that must say so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pytest

from drivers.contract.bench import Bench
from drivers.contract.place import Broken, Place
from rig.commands.rig_alone import load_rig_alone
from rig.ports import Rig


class Changed:
    """A device some of whose methods are others."""

    def __init__(self, device: object, **methods: Any) -> None:
        self._device = device
        self.__dict__ |= methods

    def __getattr__(self, name: str) -> Any:
        return getattr(self._device, name)


class Elsewhere(Place):
    """A simulated rig with something wrong about it."""

    def __init__(self, wrong: Callable[[Rig], Rig], rig: str | None = None) -> None:
        super().__init__(load_rig_alone(rig))
        self._wrong = wrong

    async def open(self, plan=None) -> Rig:
        return self._wrong(await super().open(plan))


def actuator(rig: Rig, **methods: Any) -> Rig:
    return replace(rig, actuator=Changed(rig.actuator, **methods))


@dataclass(frozen=True)
class Case:
    """Something wrong with a rig, the test that must find it, and what that says."""

    wrong: Callable[[Rig], Rig]
    test: Callable[..., Any]
    says: str
    rig: str | None = None
    words: tuple[str, ...] = ()

    def is_named(self) -> None:
        """Hold that the test finds it and says what it is."""
        place = Elsewhere(self.wrong, self.rig)
        bench = Bench(place)
        try:
            place.run(bench.begin())
            with pytest.raises(Broken, match=self.says):
                place.run(self.test(bench, *self.words))
        finally:
            place.run(place.close(bench.rig))
            place.end()
