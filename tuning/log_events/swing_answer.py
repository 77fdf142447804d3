"""What is answered of a swing: hunting, no hunting, or that its log cannot tell."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tuning.measures import (
    CANNOT_TELL,
    DOES_NOT_HUNT,
    FEWEST_HALF_SWINGS,
    HUNTS,
    Measures,
    SMALLEST_HUNTING_rpm,
    regular_swing,
    run_answer,
    run_note,
)
from tuning.notes import Note

REGULAR, MAY_BE_A_WAVE = 1.0, 0.3
"""Regularity and share of repeats above which a swing may be a wave from outside [-, -]."""
ALTERNATES, EQUAL_MOVES, ALIKE = 0.95, 0.4, 0.2
"""A valve goes to and fro where so many of its moves undo the one before, by as much; by hand it is moved
unequally, over the log and over any part of it [-, -, -]."""
UNSURE_SHARE = 0.1
"""Share that the repeats of a swing must have more where the floor is told from the swing itself [-]."""
MOSTLY_SETTLED, BY_HAND_per_min = 0.45, 9.0
"""Where speed has settled for this share of the time and moves are no more frequent, they were made by hand
or seldom [-, 1/min]."""
VALVE_S_OWN = 0.5
"""Share of a swing's variance that the valve's moves must make before it is laid at its door [-]."""
MOST_LEFT = 0.65
"""Share of a swing that may be left once the valve's part is taken out: more, and it has not made it [-]."""
TO_AND_FRO, ITS_OWN, LEFT_THEN = 0.4, 0.3, 0.75
"""Where the valve goes to and fro and takes speed with it by this share of the swing, its moves need make
only so much, and so much may be left [-, -, -]."""
OWN_CYCLE, MOST_SETTLED, LEFT_AT_OTHER = 0.8, 0.8, 0.45
"""A valve that goes over and back less often than this in a period of the swing cycles at another: then only
so much of it may be left [-, -, -]."""
MOSTLY_MADE, TIMES_FLOOR = 0.6, 2.0
"""A swing of which its moves make so much, and so many times what is left without them, may be hunting
however irregular [-, -]."""
MUCH_OF_FLOOR, MUCH_ABOVE, AGAINST = 0.5, 1.2, -0.2
"""What the valve takes speed between its sides over what is left without it, and that over the whole swing;
its share where it works against the swing: beyond these it is not sure that it does not hunt [-, -, -]."""
STAYS_rpm, STAYS = 50.0, 0.7
"""A swing smaller than this of which so much stays without the valve's moves is not made by them [rpm, -]."""
OFTEN, PARTLY_MADE, HALF_MADE = 20, 0.25, 0.4
"""A valve that goes over so often and makes so much of a swing, or so much of a larger one, is never sure not
to hunt [-, -, -]."""
LOOSE, LEFT_LOOSE = 4.0, 0.75
"""A large swing less regular than this is no wave from outside, and so much of it may be left [-, -]."""
PURE, WHOLE, LEFT_OF_WHOLE = 15.0, 0.98, 0.25
"""Of so regular a swing which the moves seem to make wholly no more may be left: they follow a wave [-]."""
ABOVE_HELD, IN_STEP = 1.15, 0.6
"""A busy valve that leaves so many times the floor, or of whose moves so many undo the one before while speed
repeats, is never sure not to hunt [-, -]."""
LONG_steps, UNDOES = 5.0, 0.93
"""Moves longer than this, of which so many undo the one before, make a great swing [steps, -]."""
FINE_steps, NO_REPEATS = 3.0, 0.03
"""Moves finer than this make no swing that repeats as little [steps, -]."""
AS_A_WAVE, WAVE_REPEATS, WAVE_STAYS, NOT_IN_TIME = 10.0, 0.6, 0.85, 0.9
"""So regular a swing, which repeats by so much, of which so much stays without the valve's moves, and of
these no more undo the one before, comes from outside [-, -, -, -]."""
COUNTERS = -0.33
"""A valve that stands lower while speed is higher by this share of the swing counters a load [-]."""
NOTICED_rpm, NOTICED_SELDOM_rpm, SLIGHT_rpm, LEAST_SURE_rpm = 25.0, 40.0, 27.0, 20.0
"""A valve that goes to and fro, or a busy one, and takes speed with it by so much (more where it goes over
seldom) is never sure not to hunt; a smaller swing whose part is not understood is waved off; none smaller
than the last surely hunts [rpm]."""
TRACE, ALONE, GREAT_rpm = 0.1, 0.3, 200.0
"""Where the valve's part is not understood, the share of the swing that is more than a trace, and of
repeats that is more than roughness has; a swing that is never waved off while the valve moves [-, -, rpm]."""
STILL_REPEATS = 0.75
"""A swing with the valve still, of few periods as a rule, must repeat by more than this [-]."""
SLOW_ROWS_s, BUSY_per_min, FEWEST_ROWS = 0.25, 10.0, 4.0
"""Rows further apart do not show that so busy a valve makes no swing; nor fewer rows in a period a swing for
sure [s, 1/min, -]."""


@dataclass(frozen=True)
class Swing:
    """What speed does while the engine idles, over the longest undisturbed stretch.

    Attributes
    ----------
    measures, still_measures : Measures
        Of that stretch, and of the longest one with the valve still, None without.
    alternation, move_size_spread, spread_of_all : float
        Share of the moves that go against the one before; deviation of the sizes over their mean, here and
        over the whole log [-].
    skew, hunts_elsewhere : float, tuple of float or None
        Skewness of speed: below 0 where it dips [-]; from when to when a shorter stretch hunts, or may [s].
    """

    from_s: float
    to_s: float
    measures: Measures
    floor_rpm: float  # swing left without the valve's moves: see ``_floor_rpm``
    still_measures: Measures | None
    valve_share: float  # of the swing's variance that its moves make; and time to the speed's answer
    valve_lead_s: float
    moves_per_min: float  # of the valve, nan where it was not recorded
    reversals_per_min: float
    settled_share: float  # in which the valve has been still for some seconds
    alternation: float
    move_size_steps: float
    move_size_spread: float
    spread_of_all: float
    skew: float
    spacing_s: float  # between rows
    hunts_elsewhere: tuple[float, float] | None = None

    @property
    def by_hand(self) -> bool:
        """Whether it was moved by hand: it rests until speed settles, and moves unequally and seldom."""
        unequal = self.move_size_spread > ALIKE and self.spread_of_all > EQUAL_MOVES
        return self._rests and unequal

    @property
    def _rests(self) -> bool:
        """Whether the valve moves so seldom that it may be done by hand."""
        return self.settled_share >= MOSTLY_SETTLED and self.moves_per_min <= BY_HAND_per_min

    @property
    def floor(self) -> float | None:
        """The floor, None where it is not known [rpm]."""
        return None if np.isnan(self.floor_rpm) else self.floor_rpm

    @property
    def judged(self) -> Measures:
        """What the rule looks at: beside a floor that is told, not held, it must repeat the more."""
        m = self.measures
        return m if self.floor is None else replace(m, repeat_share=m.repeat_share - UNSURE_SHARE)

    @property
    def doubtful(self) -> bool:
        """Whether the rule's answer is not borne out by what the valve's moves make of the swing."""
        if self.hunts_elsewhere is not None:
            return True
        if self.by_hand or not self.moves_per_min > 0.0 or self._from_outside or self.bangs:
            return False
        said = self._by_rule
        if said == HUNTS:
            return self._may_be_none
        return said == DOES_NOT_HUNT and self.measures.hunting_rpm > SMALLEST_HUNTING_rpm and self._may_hunt

    @property
    def _may_be_none(self) -> bool:
        """Whether what hunts by the rule may be no hunting."""
        m = self.measures
        seldom = not self.regular and m.half_swings <= FEWEST_HALF_SWINGS
        seldom |= self._rests and self.move_size_steps > 0.0 and not self._goes_to_and_fro
        unseen = m.hunting_period_s < FEWEST_ROWS * self.spacing_s
        small = m.hunting_rpm < LEAST_SURE_rpm
        return seldom or unseen or small or not self._made_by_valve

    @property
    def _may_hunt(self) -> bool:
        """Whether what does not hunt by the rule may hunt."""
        m = self.measures
        slight = m.hunting_rpm <= SLIGHT_rpm
        if self.spacing_s > SLOW_ROWS_s and self.moves_per_min > BUSY_per_min:
            return True
        if self._ragged:
            return False
        far = m.hunting_rpm > TIMES_FLOOR * self.floor_rpm or m.valve_swing_rpm > NOTICED_rpm
        made = self.valve_share >= MOSTLY_MADE and (far or (self._goes_to_and_fro and not slight))
        seldom = m.half_swings < FEWEST_HALF_SWINGS
        noticed = m.valve_swing_rpm > (NOTICED_SELDOM_rpm if seldom else NOTICED_rpm)
        busy = self.moves_per_min > BUSY_per_min and (noticed or (not slight and self._may_be_made))
        # A valve that went over and back but once may have made what swings regularly.
        seen = m.half_swings >= FEWEST_HALF_SWINGS or (m.half_swings >= 2 and self._may_be_a_wave)
        great = m.hunting_rpm > GREAT_rpm and m.valve_swing_rpm > COUNTERS * m.hunting_rpm
        return made or busy or great or (seen and not self._stays and self._may_go_to_and_fro)

    @property
    def _ragged(self) -> bool:
        """Whether speed does not repeat at all and the moves are too fine to make it swing."""
        m = self.measures
        fine = 0.0 < self.move_size_steps < FINE_steps and m.valve_swing_rpm < TO_AND_FRO * m.hunting_rpm
        return fine and m.repeat_share < NO_REPEATS

    @property
    def _may_be_made(self) -> bool:
        """Whether a busy valve may make the swing: its part is unknown, or much, or in step with it."""
        m, partly = self.measures, self.valve_share > PARTLY_MADE
        trace = abs(m.valve_swing_rpm) <= TRACE * m.hunting_rpm
        often = partly and (m.half_swings >= OFTEN or m.valve_swing_rpm > PARTLY_MADE * m.hunting_rpm)
        above = m.hunting_rpm > ABOVE_HELD * self.floor_rpm
        much = m.hunting_rpm > STAYS_rpm and (above or (self.valve_share > HALF_MADE and not trace))
        in_step = m.regularity > REGULAR and m.repeat_share > ALONE and self.alternation > IN_STEP
        return bool(np.isnan(self.valve_share) or often or much or in_step)

    @property
    def _stays(self) -> bool:
        """Whether it is a small swing that stays without the valve's moves: roughness that they go with."""
        m = self.measures
        small = m.valve_swing_rpm < NOTICED_rpm and m.hunting_rpm < STAYS_rpm
        its_own = AGAINST < self.valve_share < VALVE_S_OWN
        return small and its_own and self.floor_rpm > STAYS * m.hunting_rpm

    @property
    def _by_rule(self) -> str:
        """The rule's answer."""
        if self.bangs:
            return HUNTS
        none = self._stays or self._from_outside
        return DOES_NOT_HUNT if none else run_answer(self.judged, self.floor)

    @property
    def bangs(self) -> bool:
        """Whether long moves, each undoing the one before, go with a great swing, however irregular."""
        long = self.move_size_steps > LONG_steps and self.moves_per_min > 2.0 * BUSY_per_min
        return long and self.alternation > UNDOES and self.measures.hunting_rpm > GREAT_rpm

    @property
    def _from_outside(self) -> bool:
        """Whether it is a wave that the valve follows in its own way, and that stays without it."""
        m = self.measures
        wave = m.regularity > AS_A_WAVE and m.repeat_share > WAVE_REPEATS
        stays = self.valve_share < PARTLY_MADE and self.floor_rpm > WAVE_STAYS * m.hunting_rpm
        return bool(wave and stays and self.alternation < NOT_IN_TIME)

    @property
    def _goes_to_and_fro(self) -> bool:
        """Whether each move undoes the one before."""
        return self.alternation >= ALTERNATES and self.move_size_spread <= EQUAL_MOVES

    @property
    def _made_by_valve(self) -> bool:
        """Whether the moves make the swing: with them taken out it must be gone as well."""
        m = self.measures
        loose = m.regularity < LOOSE and m.hunting_rpm > NOTICED_SELDOM_rpm
        another = self.regular and not loose and self._cycles_a_period < OWN_CYCLE
        if another and self.floor_rpm > LEFT_AT_OTHER * m.hunting_rpm:
            return False
        follows = m.regularity > PURE and self.valve_share > WHOLE
        if follows and self.floor_rpm > LEFT_OF_WHOLE * m.hunting_rpm:
            return False
        if self._goes_to_and_fro and m.valve_swing_rpm > TO_AND_FRO * m.hunting_rpm:
            unseen = np.isnan(self.valve_share) and m.valve_swing_rpm > NOTICED_rpm
            return (unseen or self.valve_share > ITS_OWN) and not self.floor_rpm > LEFT_THEN * m.hunting_rpm
        left = LEFT_LOOSE if loose else MOST_LEFT
        return self.valve_share >= VALVE_S_OWN and not self.floor_rpm > left * m.hunting_rpm

    @property
    def _cycles_a_period(self) -> float:
        """How often the valve goes over and back in a period of the swing, while it moves at all."""
        cycles_per_min = 0.5 * self.moves_per_min / (1.0 - min(self.settled_share, MOST_SETTLED))
        return cycles_per_min / 60.0 * self.measures.hunting_period_s

    @property
    def _may_be_a_wave(self) -> bool:
        """Whether it swings as regularly as a wave, and more than without the valve."""
        m = self.measures
        return m.regularity > REGULAR and m.repeat_share > MAY_BE_A_WAVE and m.hunting_rpm > self.floor_rpm

    @property
    def _may_go_to_and_fro(self) -> bool:
        """Whether speed goes with the valve by more than a trace, or by too much to be waved off."""
        m = self.measures
        between_rpm = m.valve_swing_rpm
        # Moves that work against the swing, or whose part is larger than it, are not understood.
        odd = not AGAINST < self.valve_share < VALVE_S_OWN or self.floor_rpm > MUCH_ABOVE * m.hunting_rpm
        odd &= m.valve_swing_rpm > COUNTERS * m.hunting_rpm
        unclear = odd and m.hunting_rpm > SLIGHT_rpm and abs(between_rpm) > TRACE * m.hunting_rpm
        noticed = self._goes_to_and_fro and between_rpm > NOTICED_rpm
        return unclear or noticed or between_rpm > MUCH_OF_FLOOR * self.floor_rpm

    @property
    def answer(self) -> str:
        """Whether it hunts, by the rule of hunting; a valve moved by hand makes none."""
        if self.doubtful:
            return CANNOT_TELL
        return DOES_NOT_HUNT if self.by_hand else self._by_rule

    @property
    def note(self) -> Note:
        """The answer told."""
        m = self.measures
        if self.by_hand:
            return Note("measures.run.does_not_hunt", swing_rpm=m.hunting_rpm)
        if self.hunts_elsewhere is not None:
            return Note("measures.run.partly", swing_rpm=m.hunting_rpm)
        if self.doubtful:
            return Note("measures.run.doubtful", swing_rpm=m.hunting_rpm, period_s=m.hunting_period_s)
        if self.bangs:
            return Note("measures.run.hunts", swing_rpm=m.hunting_rpm, period_s=m.hunting_period_s)
        return run_note(self.judged, self.floor)

    @property
    def regular(self) -> bool:
        """Whether speed swings regularly and by more than is left without the valve's moves."""
        return regular_swing(self.judged, self.floor)

    @property
    def still_swings(self) -> bool:
        """Whether speed swings regularly while the valve stands still, for long enough to say so."""
        m = self.still_measures
        if m is None or m.hunting_period_s < FEWEST_ROWS * self.spacing_s:
            return False
        return run_answer(m) == HUNTS and m.repeat_share > STILL_REPEATS
