"""Sentences of why a car hunts: verdict, causes, remedies, one cycle told, chance of hunting."""

from __future__ import annotations

from workbench.words.sentence import Sentence, Tell, Values, capital

LOADS = {
    "lamps": "lamps", "fan": "fan", "screen": "heated rear window", "electric": "everything electric",
    "steering": "power steering", "aircon": "air conditioning", "gearbox": "gear engaged",
}  # fmt: skip
"""Loads in words, by their keys."""
NOTHING_LEFT_percent = 2.0  # A swing is said to end when less than this of it is left [%].


def _resolution_remedy(values: Values, tell: Tell) -> str:
    told = "a valve of smaller steps"
    if values["move_steps"] > 1:
        told = tell("minimum move 1 with a deadband of ±{least_rpm:.0f}")
        if values["suggested_rpm"] > values["least_rpm"]:
            told = tell(
                "minimum move 1 with a deadband of ±{suggested_rpm:.0f} (±{least_rpm!n:.0f} would hold,"
            )
            told += " but idle roughness would move the valve)"
    wider = "; or the present minimum move with ±{wide_rpm:.0f}"
    return told + (tell(wider) if values["is_wider"] else ", or lower gains")


def _resolution_number(values: Values, tell: Tell) -> str:
    half_rpm = 0.5 * values["deadband_rpm"]
    told = tell("one move of {move_steps} changes speed by {move_rpm:.0f}, the deadband is ±")
    told += f"{half_rpm:.0f} rpm ({2.0 * half_rpm:.0f} in all); "
    if values["none_percent"] > 0.0:
        return told + tell(
            "in {none_percent!n:.0f} of 100 cases, by where the target falls, no position gives a speed in it"
        )
    return told + "a position gives a speed inside it, but moves this coarse keep a cycle going around it"


def _gains_number(values: Values, tell: Tell) -> str:
    times = values["times"]
    if times >= 1.0:
        return f"gains are {times:.2f} times below the stability limit"
    by = f"{1.0 / times:.1f} times" if times > 0.0 else "without end above"
    return f"even without steps it would swing: gains are {by}" + tell(
        " the stability limit, where it swings every {period_s:.1f}"
    )


def _races(values: Values, tell: Tell) -> str:
    told = tell("It races from {racing} of {runs} starting conditions, on average {off_rpm:.0f} off target.")
    if values["base_steps"] > values["travel_steps"]:
        told += tell(
            " The base curve asks for {base_steps:.0f}, beyond the valve's stop at"
            " {travel_steps:.0f}: the valve stands open there."
        )
    return told + " Mend the base curve first; until then no feedback can be judged."


def _chance(values: Values, tell: Tell) -> str:
    """How often it hunts with scatter, as everywhere, then what it does without."""
    told = tell("{chance}")
    told = capital(told) if told.startswith("cannot") else f"It {told}"
    if "swing_rpm" in values:
        told += tell("; speed swings {swing_rpm:.0f} peak to peak, {floor_rpm!n:.0f} with the valve held")
    told += tell(". {quiet}")
    if (values["chance"].code, values["quiet"].code) == ("measures.does_not_hunt", "explanation.quiet.hunts"):
        told += " Combustion variation breaks that cycle up; on a smoother engine it may show."
    return told + (tell(" {cause}") if "cause" in values else "")


def _proof(values: Values, tell: Tell) -> str:
    left = "{left_percent:.0f} of the swing is left"
    ends = "the hunting ends" if values["left_percent"] < NOTHING_LEFT_percent else left
    told = tell("{cause}: {number}. With this taken away in simulation, " + ends + ".")
    return capital(told)


def _told(values: Values, tell: Tell) -> str:
    error, before, after = values["error_rpm"], values["before"], values["after"]
    side, way = "below" if error > 0.0 else "above", "open" if after > before else "close"
    told = f"{abs(error):.0f} rpm {side} target; wanted is {values['wanted']:.0f}, "
    if values["moves"] == 1:
        told += f"{abs(after - before):.0f} from where the valve stands: commanded to {way}"
    else:
        told += tell("and in {moves} moves within {within_s:.2f} ") + f"commanded to {way}"
    return f"{told} from {before:.0f} to {after:.0f}"


SENTENCES: dict[str, Sentence] = {
    "explanation.cause.resolution": "the valve's resolution",
    "explanation.cause.gains": "gains too high for the engine's delay",
    "explanation.cause.valve_speed": "the valve's speed",
    "explanation.cause.updates": "the update period",
    "explanation.cause.limits": "a trim limit",
    "explanation.cause.backlash": "backlash in the valve",
    "explanation.cause.not_feedback": "not the idle feedback",
    "explanation.switch.as_is": "as it is",
    "explanation.switch.resolution": "a valve without steps",
    "explanation.switch.gains": "gains well below the stability limit",
    "explanation.switch.valve_speed": "a valve that takes no time",
    "explanation.switch.limits": "no trim limit",
    "explanation.switch.updates": "updates every {update_period_ms:g}",
    "explanation.switch.backlash": "no backlash",
    "explanation.switch.both": "no steps and low gains",
    "explanation.switch.feedback": "feedback off, valve held",
    "explanation.switch.suggested": "the recommended settings, by rule",
    "explanation.resolution.number": _resolution_number,
    "explanation.resolution.remedy": _resolution_remedy,
    "explanation.resolution.cost": "idle may stand up to {off_rpm:.0f} off target{moves!k:; with the settings"
    " below the valve moves {moves:.0f} times a minute, now {moves_now:.0f}}",
    "explanation.gains.number": _gains_number,
    "explanation.gains.seldom": "updates every {update_period_ms:.0f} or more",
    "explanation.gains.lower": "gain {gain_steps_per_100rpm:.1f} and integral"
    " {integral_steps_per_100rpm_s!n:.1f} per second",
    "explanation.gains.slower": "a load is corrected more slowly",
    "explanation.gains.slower_by": "the integral alone then takes {then_s:.1f} to correct most of an error,"
    " now {now_s:.1f}",
    "explanation.valve_speed.number": "a step takes {step_ms:.0f}; with a valve that takes no time the"
    " stability limit would be {times_without:.2f} times the gains, with this one {times:.2f} times",
    "explanation.valve_speed.remedy": "a shorter pulse and rest (not below {pull_in_ms:g} of pulse), or"
    " lower gains",
    "explanation.valve_speed.cost": "steps may be lost when the battery is low if the pulse is too short",
    "explanation.updates.number": "updates every {update_period_ms:.0f} are {quicker!p:too slow; at once,"
    " the stability limit would be {times_quick:.2f} times the gains, now {times:.2f}|too quick for the"
    " engine to answer between them}",
    "explanation.updates.more_often": "updates more often",
    "explanation.updates.cost": "{quicker!p:more moves of the valve|loads are noticed later}",
    "explanation.limits.number": "the trim stands at a limit ({low:g} or {high_steps:g}) {share_percent:.0f}"
    " of the time; the need is {need_steps:+.1f} from the base",
    "explanation.limits.remedy": "mend the base curve first, then widen the trim limits",
    "explanation.limits.cost": "wider limits let a fault of rpm reading race or stall the engine",
    "explanation.backlash.number": "{play_steps:g} of play take {worth_rpm:.0f} at each reversal",
    "explanation.backlash.remedy": "a deadband wider by {wider_rpm:.0f} either side, or a tighter thread",
    "explanation.backlash.cost": "idle stands further off target",
    "explanation.not_feedback.runs_off": "with the valve held still the engine does not hold this speed but"
    " runs off",
    "explanation.not_feedback.off": "feedback is off, so the valve stands still",
    "explanation.not_feedback.stalls": "with the valve held {share_percent:.0f} of runs stall",
    "explanation.not_feedback.swings": "with the valve held {share_percent:.0f} of runs swing regularly, by"
    " {floor_rpm:.0f}",
    "explanation.not_feedback.remedy": "look at spark and fuel tables that swing with rpm, a vacuum leak, a"
    " misfire",
    "explanation.not_feedback.spark": "a spark table that advances by 2 to 4° per 100 rpm, or does not"
    " change, when rpm falls (within about 5 to 25° before top dead centre, checked with a timing"
    " light); now it retards {retards_deg_per_100rpm:g}",
    "explanation.not_feedback.cost": "none to the feedback: leave its settings alone until this is mended",
    "explanation.headline.races": _races,
    "explanation.headline.not_feedback": "If it swings, it is not the idle feedback: {number}.",
    "explanation.headline.chance": _chance,
    "explanation.headline.no_cause": "No single cause was found.",
    "explanation.headline.first_cause": "First cause: {cause}.",
    "explanation.headline.hunts": _chance,
    "explanation.quiet.rests": "Without combustion variation it settles from every starting condition.",
    "explanation.quiet.hunts": "Without combustion variation it hunts from {hunting} of {runs} starting"
    " conditions, on average by {swing_rpm:.0f} peak to peak{period_s!k: every {period_s:.1f}}.",
    "explanation.stalls": "It stalls in {share_percent:.0f} of runs.",
    "explanation.proof": _proof,
    "explanation.remedy": "Remedy: {remedy}. Cost: {cost}.",
    "explanation.theory_alone": "Theory alone would have named {cause} first; the switch-off decides.",
    "explanation.theory": "{alike!p:One such cycle, by theory|Theory has another one}: {swing_rpm:.0f} every"
    " {period_s:.1f}; simulated {seen_swing_rpm:.0f} every {seen_period_s:.1f}.",
    "explanation.two_ends": "In {share_percent:.0f} of cases it settles or hunts depending on the speed it"
    " starts from.",
    "explanation.suggestion": "Settings that should hold: law {law}, gain {gain:g}, integral {integral:g},"
    " deadband ±{deadband_rpm:g}, minimum move {min_move}: in simulation {hunting} of {runs} starting"
    " conditions hunt. They are by rule; a search finds better ones.",
    "explanation.at_limit": "Yet the trim stands at a limit ({low:g} or {high_steps:g}) {share_percent:.0f}"
    " of the time, and the idle {error_rpm:.0f} off target: mend the base curve first, then widen the"
    " limits.",
    "explanation.ticks": "Yet the valve keeps stepping: {moves:.0f} moves a minute. The deadband is only"
    " {scatters:.1f} times the idle roughness (standard deviation {scatter_rpm:.0f}); below {below:g}"
    " times the valve dithers, which is wear, not hunting.",
    "explanation.quieter": "With deadband {deadband_rpm:g}, minimum move {min_move} and gains by rule it"
    " would move {moves:.0f} times a minute.",
    "explanation.base_off": "The base curve is {off_steps!a:.1f} steps too"
    " {off_steps!p:high|low} for the warm idle.",
    "explanation.retards": "The spark table retards when rpm falls, which raises the valve gain (now"
    " {worth_rpm:.0f} per step) and makes the engine easier to swing.",
    "explanation.dip": "Load: {load}: {stalls!p:it stalls|dip {own_rpm:.0f}}. Opened at once, this valve"
    " could keep it to {bound_rpm:.0f}. With {forward_steps} of feed-forward the dip is"
    " {forward_rpm:.0f}, with a fast spark trim {spark_rpm:.0f}.",
    "explanation.load": lambda values, tell: (
        " and ".join(LOADS[key] for key in values["key"].split(", "))
        + tell("{size_W!k:, {size_W:g}}{size_Nm!k:, {size_Nm:g}}")
    ),
    "explanation.story.period": "One period, {period_s:.2f}, without combustion variation.",
    "explanation.story.worth": "One move changes speed by {move_rpm:.0f}, the deadband is {deadband_rpm:.0f}"
    " wide.",
    "explanation.story.holds": "So it {holds!p:could hold a position|holds no position} of those the valve"
    " goes between.",
    "explanation.story.moment": "{at_s:.2f}, {now_rpm:.0f}: {text}.",
    "explanation.story.repeats": "From here it repeats.",
    "explanation.story.told": _told,
    "explanation.story.there": "the valve is there, at {at:.0f}",
    "explanation.story.crosses": "speed {rises!p:rises|falls} through the target",
    "explanation.story.back": "back within the deadband: {has_integral!p:the integral|the trim} is held",
    "explanation.story.leaves": "out of the deadband, {is_below!p:below|above}: the trim, {trim_steps:+.1f},"
    " is moved {is_below!p:up|down}",
    "explanation.story.peak": "highest speed, {above:.0f} above target",
    "explanation.story.trough": "lowest speed, {below:.0f} below target",
    "explanation.border.moves": "deadband of half a move: above it some position always holds",
    "explanation.border.gains": "stability limit of the loop without steps",
    "explanation.chance.no_position": "No valve position gives the target speed at this temperature.",
    "explanation.chance.stalls": "It stalls from {stalling} of {runs} starting conditions.",
}
