"""What is supposed of the engine in Explore, and the run that shows it."""

from __future__ import annotations

from dataclasses import dataclass

import sim

LENGTH_s = 40.0
LOAD_ON_s, LOAD_OFF_s = 12.0, 24.0
BLIP_s, BLIP_LENGTH_s = 30.0, 0.5
BLIP_SHARE = 0.12
SETTLED_s = 4.0  # The beginning of the run is not judged [s].
LOADS = ("lamps", "fan", "screen")


@dataclass(frozen=True)
class Wish:
    """What is supposed of the engine while settings are explored; never saved."""

    coolant_degC: float
    scatter_share: float
    load_on: bool = False
    blip: bool = False

    def car(self, car: sim.Car) -> sim.Car:
        """The car with the scatter supposed."""
        return sim.with_values(car, {"engine": {"scatter_share": self.scatter_share}})

    def scenario(self) -> sim.Scenario:
        """The run that is shown."""
        held = [(name, LOAD_ON_s, LOAD_OFF_s, 1.0) for name in LOADS if self.load_on]
        if self.blip:
            held.append(("throttle_share", BLIP_s, BLIP_s + BLIP_LENGTH_s, BLIP_SHARE))
        events = [
            sim.Event(at_s=at_s, set=name, to=to)
            for name, on_s, off_s, value in held
            for at_s, to in ((on_s, value), (off_s, 0.0))
        ]
        if self.load_on:  # what is left before a load is too short to tell hunting by
            windows = [sim.Window(what="load", from_s=LOAD_ON_s, to_s=LOAD_OFF_s)]
        else:
            quiet_s = BLIP_s if self.blip else LENGTH_s
            windows = [sim.Window(what="hunting", from_s=SETTLED_s, to_s=quiet_s)]
        if self.blip:
            windows.append(sim.Window(what="blip", from_s=BLIP_s, to_s=LENGTH_s))
        return sim.Scenario(
            name="idle", duration_s=LENGTH_s, coolant_degC=self.coolant_degC,
            event=tuple(events), measure=tuple(windows),
        )  # fmt: skip
