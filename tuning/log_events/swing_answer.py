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

REGULAR = 1.0
"""Regularity above which a swing may be a wave from outside, if it repeats by more than ``ALONE`` [-]."""
ALTERNATES, EQUAL_MOVES, ALIKE = 0.95, 0.38, 0.2
"""A valve goes to and fro where so many of its moves undo the one before and their sizes spread by no more;
by hand they spread by more, here and over the log. A fit takes more than the third for a hand's [-]."""
UNSURE_SHARE = 0.1
"""Share that the repeats of a swing must have more where the floor is told from the swing itself [-]."""
MOSTLY_SETTLED, BY_HAND_per_min = 0.45, 9.0
"""Where speed has settled for this share of the time and moves are no more frequent, they were made by hand
or seldom [-, 1/min]."""
VALVE_S_OWN, MOST_LEFT, LOOSE, LEFT_LOOSE = 0.5, 0.6, 4.0, 0.75
"""Share of a swing's variance that the valve's moves make where it is laid at its door, and of the swing
that may be left without them; a large one less regular than this is no wave: more may be left [-]."""
TO_AND_FRO, ITS_OWN, LEFT_THEN = 0.4, 0.3, 0.75
"""Where the valve goes to and fro and takes speed with it by this share of the swing, its moves need make
only so much, and so much may be left [-, -, -]."""
MOSTLY_MADE, PARTLY_MADE, HALF_MADE, OFTEN = 0.6, 0.25, 0.4, 20
"""A swing of which its moves make so much may be hunting however irregular; of a busy valve they need make
less where it goes over so often or speed goes with it, or where the swing is large [-]."""
MUCH_OF_FLOOR, AGAINST = 0.4, -0.2
"""What the valve takes speed between its sides over what is left without it; its share where it works against
the swing: beyond these it is not sure that it does not hunt [-, -]."""
PURE, PUREST, WHOLE, LEFT_OF_IT, FOLLOWS = 20.0, 60.0, 0.98, 0.25, 0.2
"""Of so regular a swing which the moves seem to make wholly, or a purer one, no more may be left, and speed
goes with the valve by more than the last share: else they follow a wave [-]."""
ABOVE_HELD, IN_STEP, ALONE, ONCE = 1.2, 0.6, 0.3, 2.2
"""A busy valve that leaves so many times the floor, or of whose moves so many undo the one before while speed
repeats by so much, is never sure not to hunt; so much less does one that went over but once show [-]."""
LONG_steps, UNDOES = 5.0, 0.93
"""Moves longer than this, of which so many undo the one before, make a great swing [steps, -]."""
FINE_steps, NO_REPEATS, UNEVEN, TRACE = 1.7, 0.3, 2.5, 0.15
"""Finer moves that take speed along by less of the swing make none that repeats as little [steps, -]."""
AS_A_WAVE, WAVE_REPEATS, WAVE_STAYS, NOT_IN_TIME = 10.0, 0.6, 0.85, 0.9
"""So regular a swing, which repeats by so much, of which so much stays without the valve's moves, and of
these no more undo the one before, comes from outside [-, -, -, -]."""
COUNTERS = -0.33
"""A valve that stands lower while speed is higher by this share of the swing counters a load [-]."""
NOTICED_rpm, SLIGHT_rpm, STAYS_rpm, LEAST_SURE_rpm, GREAT_rpm = 22.0, 24.0, 50.0, 35.0, 200.0
"""A valve that goes to and fro, or a busy one, and takes speed with it by so much may always hunt; a
smaller swing that is not understood is waved off; so is one of which the moves make little; none smaller than
the fourth surely hunts, none larger than the last is waved off while the valve moves [rpm]."""
STILL_REPEATS, FEWEST_PERIODS = 0.75, 4.0
"""A swing with the valve still must last for so many periods and repeat by more than this [-, -]."""
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
    still_s: float  # of the longest stretch with the valve still
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
        rests = self.settled_share >= MOSTLY_SETTLED and self.moves_per_min <= BY_HAND_per_min
        return rests and min(self.move_size_spread, self.spread_of_all) > EQUAL_MOVES

    @property
    def judged(self) -> Measures:
        """What the rule looks at: beside a floor that is told, not held, it must repeat the more."""
        m = self.measures
        return m if np.isnan(self.floor_rpm) else replace(m, repeat_share=m.repeat_share - UNSURE_SHARE)

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
        unseen = m.hunting_period_s < FEWEST_ROWS * self.spacing_s
        unseen |= self.spacing_s > SLOW_ROWS_s and (self.alternation < UNDOES or m.regularity > PURE)
        return seldom or unseen or m.hunting_rpm < LEAST_SURE_rpm or not self._made_by_valve

    @property
    def _may_hunt(self) -> bool:
        """Whether what does not hunt by the rule may hunt."""
        m, busy = self.measures, self.moves_per_min > BUSY_per_min
        if self.spacing_s > SLOW_ROWS_s and self.moves_per_min > 0.5 * BUSY_per_min:
            return True
        if self._ragged or m.valve_swing_rpm < COUNTERS * m.hunting_rpm:
            return False
        large = m.hunting_rpm > SLIGHT_rpm
        made = self.valve_share >= MOSTLY_MADE and m.valve_swing_rpm > LEAST_SURE_rpm
        noticed = self._swung_rpm > NOTICED_rpm and (busy or (self._goes_to_and_fro and not self._stays))
        # A valve that went over and back but once may have made it too.
        much = m.half_swings >= 2 and m.valve_swing_rpm > MUCH_OF_FLOOR * self.floor_rpm
        made |= busy and large and self._may_be_made
        return made or noticed or m.hunting_rpm > GREAT_rpm or (much and not self._stays)

    @property
    def _swung_rpm(self) -> float:
        """What the valve takes speed along by, less where it went over but once."""
        return self.measures.valve_swing_rpm / (ONCE if self.measures.half_swings < 2 else 1.0)

    @property
    def _ragged(self) -> bool:
        """Whether speed hardly repeats and fine moves take it along by no more than a trace."""
        m = self.measures
        trace = m.valve_swing_rpm < TRACE * m.hunting_rpm and not self.floor_rpm < WAVE_STAYS * m.hunting_rpm
        trace &= m.regularity < UNEVEN and m.repeat_share < NO_REPEATS and not self.valve_share < AGAINST
        return trace and 0.0 < self.move_size_steps < FINE_steps

    @property
    def _may_be_made(self) -> bool:
        """Whether a busy valve may make the swing: its part is unknown, or much, or in step with it."""
        m, partly = self.measures, self.valve_share > PARTLY_MADE
        often = partly and (m.half_swings >= OFTEN or self._swung_rpm > PARTLY_MADE * m.hunting_rpm)
        unknown = np.isnan(self.valve_share) or self.valve_share < AGAINST
        above = m.hunting_rpm > ABOVE_HELD * self.floor_rpm
        much = m.hunting_rpm > STAYS_rpm and (above or self.valve_share > HALF_MADE)
        in_step = m.regularity > REGULAR and m.repeat_share > ALONE and self.alternation > IN_STEP
        return bool(unknown or often or much or in_step)

    @property
    def _stays(self) -> bool:
        """Whether it is a small swing that stays without the valve's moves: roughness that they go with."""
        small = self.measures.valve_swing_rpm < NOTICED_rpm and self.measures.hunting_rpm < STAYS_rpm
        return small and AGAINST < self.valve_share < VALVE_S_OWN

    @property
    def _by_rule(self) -> str:
        """The rule's answer."""
        if self.bangs:
            return HUNTS
        none = self._stays or self._from_outside or self.moves_per_min == 0.0
        return DOES_NOT_HUNT if none else run_answer(self.judged, self.floor_rpm)

    @property
    def bangs(self) -> bool:
        """Whether long moves, each undoing the one before, go with a great swing, however irregular."""
        long = self.move_size_steps > LONG_steps and self.moves_per_min > 2.0 * BUSY_per_min
        least_rpm = 1.5 * GREAT_rpm if self.measures.regularity > PURE else GREAT_rpm
        return long and self.alternation > UNDOES and self.measures.hunting_rpm > least_rpm

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
        wholly = self.valve_share > WHOLE or m.regularity > PUREST
        remains = wholly and self.floor_rpm > LEFT_OF_IT * m.hunting_rpm
        if m.regularity > PURE and (remains or m.valve_swing_rpm < FOLLOWS * m.hunting_rpm):
            return False
        if self._goes_to_and_fro and m.valve_swing_rpm > TO_AND_FRO * m.hunting_rpm:
            return self.valve_share > ITS_OWN and not self.floor_rpm > LEFT_THEN * m.hunting_rpm
        left = LEFT_LOOSE if m.regularity < LOOSE and m.hunting_rpm > STAYS_rpm else MOST_LEFT
        return self.valve_share >= VALVE_S_OWN and not self.floor_rpm > left * m.hunting_rpm

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
        told = {"swing_rpm": m.hunting_rpm, "period_s": m.hunting_period_s}
        if self.doubtful:
            return Note("measures.run.doubtful", **told)
        if self.bangs:
            return Note("measures.run.hunts", **told)
        return run_note(self.judged, self.floor_rpm)

    @property
    def regular(self) -> bool:
        """Whether speed swings regularly and by more than is left without the valve's moves."""
        return regular_swing(self.judged, self.floor_rpm)

    @property
    def still_swings(self) -> bool:
        """Whether speed swings regularly while the valve stands still, for long enough to say so."""
        m = self.still_measures
        if m is None or self.still_s < FEWEST_PERIODS * m.hunting_period_s:
            return False
        if m.hunting_period_s < FEWEST_ROWS * self.spacing_s:
            return False
        return run_answer(m) == HUNTS and m.repeat_share > STILL_REPEATS
