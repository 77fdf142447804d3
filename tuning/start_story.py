"""One start told: its phases, its measures, and where trim shows the base curve wrong."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tuning._row import START_TOLERANCE_rpm
from tuning._start_phases import Phase, first_s, phases_of
from tuning.measures import measure

if TYPE_CHECKING:
    from sim import Car, Trace

WATCHED_s = 60.0
"""Length of the start that is measured, from the key to crank [s]."""
BIN_degC = 10.0
WRONG_steps = 2.0
"""A trim held above this over a stretch of temperature is an error of the base curve."""
LIKE_UNLOADED_W = 5.0


@dataclass(frozen=True)
class BaseError:
    """Trim that feedback held over a stretch of temperature while warming up.

    Attributes
    ----------
    from_degC, to_degC : float
        Sensed coolant temperature [degC].
    trim_steps : float
        Mean trim: what the base curve lacks there [steps].
    """

    from_degC: float
    to_degC: float
    trim_steps: float


@dataclass(frozen=True)
class HiddenOffset:
    """What a homing that missed the seat does to the rest of the run.

    Attributes
    ----------
    steps, left_steps : float
        True position less the counted one when homing ended, and what is left of it afterwards:
        an end stop takes what goes beyond it [steps].
    from_s, to_s : float
        Stretch looked at: from the end of after-start air on [s].
    trim_steps : float
        Mean trim while feedback acts, 0 if it never does [steps].
    limited_share, resting_share : float
        Share of that time with the trim at a limit; with feedback not acting [-].
    error_rpm : float
        Mean speed less target [rpm].
    closing_steps : float
        Least trim left to close with [steps].
    """

    steps: float
    left_steps: float
    from_s: float
    to_s: float
    trim_steps: float
    limited_share: float
    resting_share: float
    error_rpm: float
    closing_steps: float

    def told(self) -> str:
        """Tell it in words, with the remedy.

        Returns
        -------
        str
            Two or three sentences.
        """
        way = "open" if self.left_steps > 0 else "closed"
        stop = ""
        if self.left_steps != self.steps:
            stop = f" {abs(self.left_steps):.0f} of them are left after the stop at the other end:"
        minutes = (self.to_s - self.from_s) / 60.0
        acts = (
            f"feedback trims {self.trim_steps:+.0f} steps on average, at its limit"
            f" {100.0 * self.limited_share:.0f} % of the time, {self.closing_steps:.0f} left to"
            " close with"
        )
        if self.resting_share > 0.5:
            acts = (
                f"feedback does not act {100.0 * self.resting_share:.0f} % of the time, as speed is"
                " too far above target"
            )
        return (
            f"homing ended {abs(self.steps):.0f} steps off the seat:{stop} the valve stands that"
            f" much further {way} than counted. Over the {minutes:.0f} minutes after, {acts}, and"
            f" the idle is {self.error_rpm:+.0f} rpm off target. More homing_steps than the longest"
            " travel end at the seat from anywhere."
        )


@dataclass(frozen=True)
class StartStory:
    """What happened from key-on to warm.

    Attributes
    ----------
    car, scenario : str
        Names.
    phases : tuple of Phase
        In order of time.
    homing_s : float
        Time the homing took; nan if there was none [s].
    hidden_steps : float
        True position less the counted one when homing ended: 0 is right [steps].
    cranking_rpm : float
        Speed at which the starter turned the engine, before the first firing [rpm].
    lowest_V : float
        Battery while cranking [V].
    first_firing_s, run_s : float
        From the key to the first lit charge and to running by itself; nan: never [s].
    flare_rpm : float
        Highest above target [rpm].
    lowest_rpm : float
        Lowest once the target was reached [rpm].
    stable_s : float
        From the key to within 100 rpm of target for good, within the first minute [s].
    trim_low_steps, trim_high_steps : float
        Trim used on the way [steps].
    base_errors : tuple of BaseError
        Mean trim over stretches of temperature.
    stalled_s : float
        When the engine stalled; nan if it did not [s].
    offset : HiddenOffset or None
        What a homing that missed the seat does afterwards; None where it found the seat.
    off_at_end_steps : float
        True position less the counted one at the end of the run: 0 is right [steps].
    key_s : float
        When the key was turned to crank [s].
    feedback_s : float
        From the key to the first moment at which feedback acts; nan: never [s].
    """

    car: str
    scenario: str
    phases: tuple[Phase, ...]
    homing_s: float
    hidden_steps: float
    cranking_rpm: float
    lowest_V: float
    first_firing_s: float
    run_s: float
    flare_rpm: float
    lowest_rpm: float
    stable_s: float
    trim_low_steps: float
    trim_high_steps: float
    base_errors: tuple[BaseError, ...]
    stalled_s: float
    offset: HiddenOffset | None = None
    off_at_end_steps: float = 0.0
    key_s: float = 0.0
    feedback_s: float = math.nan

    def to_dict(self) -> dict[str, Any]:
        """Give the story as plain values, None for what did not happen.

        Returns
        -------
        dict
            The attributes.
        """
        return {
            key: None if isinstance(value, float) and math.isnan(value) else value
            for key, value in asdict(self).items()
        }

    def finding(self) -> str:
        """Tell the start in one sentence.

        Returns
        -------
        str
            The verdict.
        """
        where = f"{self.car}, {self.scenario}"
        if math.isnan(self.first_firing_s):
            return f"{where}: the engine does not start."
        if not self.run_s < WATCHED_s:
            return (
                f"{where}: it fires {self.first_firing_s:.1f} s after the key and does not run up."
            )
        if not math.isnan(self.stalled_s):
            return (
                f"{where}: it runs after {self.run_s:.1f} s and stalls at {self.stalled_s:.1f} s."
            )
        settled = (
            f"stays within {START_TOLERANCE_rpm:.0f} rpm of target from {self.stable_s:.0f} s on"
        )
        if self.stable_s > WATCHED_s - 1.5:
            settled = f"is not within {START_TOLERANCE_rpm:.0f} rpm of target to stay in a minute"
        return (
            f"{where}: it runs {self.run_s:.1f} s after the key, flares {self.flare_rpm:.0f} rpm"
            f" above target, falls to {self.lowest_rpm:.0f} rpm and {settled}."
        )

    def wrong(self) -> list[str]:
        """Tell where the base curve is wrong.

        Returns
        -------
        list of str
            One line a stretch of temperature; empty where feedback had little to do, and where
            the valve is not where it is counted to be: trim then tells of that.
        """
        if self.offset is not None or self.off_at_end_steps != 0.0:
            return []
        return [
            f"base curve at {e.from_degC:.0f} to {e.to_degC:.0f} degC: {abs(e.trim_steps):.0f}"
            f" steps too {'low' if e.trim_steps > 0 else 'high'}"
            for e in self.base_errors
            if abs(e.trim_steps) >= WRONG_steps
        ]

    def lines(self) -> list[str]:
        """Tell the whole story; the first line is the verdict.

        Returns
        -------
        list of str
            Finding, numbers on the way, phases, what a hidden offset does, and where the base
            curve is wrong.
        """
        phases = [f"{p.from_s:6.1f} s {p.name}: {p.text}" for p in self.phases]
        return [self.finding(), self.numbers(), *phases, *self.position(), *self.wrong()]

    def numbers(self) -> str:
        """Tell what was measured on the way, as far as it happened.

        Returns
        -------
        str
            One sentence.
        """
        acts = (
            f"feedback acts {self.feedback_s:.1f} s after it, with {self.trim_low_steps:+.0f} to"
            f" {self.trim_high_steps:+.0f} steps of trim"
        )
        told = [
            (self.cranking_rpm, f"cranked at {self.cranking_rpm:.0f} rpm"),
            (self.lowest_V, f"battery down to {self.lowest_V:.1f} V"),
            (self.first_firing_s, f"first firing {self.first_firing_s:.2f} s after the key"),
            (self.feedback_s, acts),
        ]
        return "; ".join(text for value, text in told if not math.isnan(value)) + "."

    def position(self) -> list[str]:
        """Tell of a valve that is not where it is counted to be.

        Returns
        -------
        list of str
            One text, or none where it is.
        """
        if self.offset is not None:
            return [self.offset.told()]
        off = self.off_at_end_steps
        if off == 0.0:
            return []
        told = (
            f"at the end the valve stands {abs(off):.0f} steps further"
            f" {'open' if off > 0.0 else 'closed'} than counted: steps were lost, or never homed."
            " What feedback trims then tells nothing of the base curve. See evenidle check: pulse,"
            " homing."
        )
        return [told]


def start_story(trace: Trace, car: Car) -> StartStory:
    """Tell one start.

    Parameters
    ----------
    trace : Trace
        A run that begins with the key turned on, or one with a restart in it.
    car : Car
        Its car.

    Returns
    -------
    StartStory
        Measures and phases of the first start in the run.

    Raises
    ------
    ValueError
        If the starter never turned in the run.
    """
    cranked = np.flatnonzero(trace["key"] > 1.5)
    if not cranked.size:
        raise ValueError("the key is never turned to crank, allowed: a run with a start in it")
    time_s = trace.time_s
    crank_s = float(time_s[cranked[0]])
    later = time_s >= crank_s
    run_s = first_s(time_s, later & (trace["running"] > 0.5))
    lit_s = first_s(time_s, later & (trace["ignition"] > 0.0) & (trace["torque_Nm"] > 0.0))
    homing = np.flatnonzero((trace["homing"] > 0.5) & (time_s <= max(crank_s, 0.0) + 30.0))
    homed = homing[-1] + 1 if homing.size else -1
    turned = later & (time_s < (lit_s if lit_s == lit_s else time_s[-1])) & (trace["rpm"] > 0.0)
    engaged = (trace["key"] > 1.5) & later
    end_s = min(crank_s + WATCHED_s, trace.duration_s)
    seen = measure(trace, [("start", crank_s, end_s)])
    on = (trace["enabled"] > 0.5) & later
    trim = trace["trim_steps"][on] if on.any() else np.zeros(1)
    since = run_s + car.curves.after_start_fade_s
    return StartStory(
        car=trace.name,
        scenario=trace.scenario,
        phases=phases_of(trace, car, crank_s, run_s, homing),
        homing_s=_homing_s(time_s, homing),
        hidden_steps=_hidden(trace, homed) if homing.size else 0.0,
        cranking_rpm=float(np.median(trace["speed_rpm"][turned])) if turned.any() else math.nan,
        lowest_V=float(np.min(trace["battery_V"][engaged])),
        first_firing_s=lit_s - crank_s,
        run_s=run_s - crank_s,
        flare_rpm=seen.start_flare_rpm,
        lowest_rpm=seen.start_lowest_rpm,
        stable_s=seen.start_stable_s,
        trim_low_steps=float(np.min(trim)),
        trim_high_steps=float(np.max(trim)),
        base_errors=_base_errors(trace, on & (time_s > since)),
        off_at_end_steps=_hidden(trace, -1),
        key_s=crank_s,
        feedback_s=first_s(time_s, on & (time_s >= run_s)) - crank_s,
        stalled_s=trace.stalled_s,
        offset=_offset(trace, car, homed, since) if homing.size else None,
    )


def _homing_s(time_s: Any, homing: Any) -> float:
    """How long the rows of a homing last; nan without any."""
    if not homing.size:
        return math.nan
    return float(time_s[min(homing[-1] + 1, time_s.size - 1)] - time_s[homing[0]])


def _offset(trace: Trace, car: Car, homed: int, since_s: float) -> HiddenOffset | None:
    """What the rest of the run shows of a homing that missed the seat; None if it did not."""
    steps = _hidden(trace, homed)
    later = (trace.time_s > since_s) & (trace["running"] > 0.5)
    if steps == 0.0 or not later.any():
        return None
    span = np.diff(trace.time_s, append=trace.duration_s)[later]
    acts, trim = trace["enabled"][later] > 0.5, trace["trim_steps"][later]
    low, high = car.feedback.trim_limit_steps
    limited = acts & ((trim <= low) | (trim >= high))
    return HiddenOffset(
        steps=steps,
        left_steps=float(np.median((trace["shaft_steps"] - trace["believed_steps"])[later])),
        from_s=since_s,
        to_s=trace.duration_s,
        trim_steps=float(np.average(trim[acts], weights=span[acts])) if acts.any() else 0.0,
        limited_share=float(np.average(limited, weights=span)),
        resting_share=float(np.average(~acts, weights=span)),
        error_rpm=float(np.average((trace["rpm"] - trace["target_rpm"])[later], weights=span)),
        closing_steps=float(np.min(trim[acts])) - low if acts.any() else 0.0,
    )


def _hidden(trace: Trace, place: int) -> float:
    return float(trace["shaft_steps"][place] - trace["believed_steps"][place])


def _base_errors(trace: Trace, used: Any) -> tuple[BaseError, ...]:
    """Mean trim over each stretch of sensed temperature in which feedback acted for long.

    What is switched on asks for trim as a wrong curve does: those rows are left out.
    """
    sensed, trim, load_W = (trace[n] for n in ("coolant_sensed_degC", "trim_steps", "load_W"))
    if used.any():
        used = used & (load_W <= float(np.min(load_W[used])) + LIKE_UNLOADED_W)
    span = np.diff(trace.time_s, append=trace.duration_s)
    found = []
    for low in np.arange(-40.0, 130.0, BIN_degC):
        here = used & (sensed >= low) & (sensed < low + BIN_degC)
        if np.sum(span[here]) > 5.0:
            mean = float(np.average(trim[here], weights=span[here]))
            found.append(BaseError(float(low), float(low + BIN_degC), mean))
    return tuple(found)
