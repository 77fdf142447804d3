"""What a log tells: its stretches, the questions asked of it, and the next step."""

from __future__ import annotations

from workbench.words.sentence import Sentence

_SEGMENTS: dict[str, Sentence] = {
    "log_events.segment.stopped": "the engine stands",
    "log_events.segment.start": "a start, up to {highest_rpm:.0f}",
    "log_events.segment.driven": "throttle or overrun, up to {highest_rpm:.0f}",
    "log_events.segment.idle": "idling at {mean_rpm:.0f}",
    "log_events.segment.steady": "steady at {mean_rpm:.0f}, roughness (standard deviation) {scatter_rpm:.1f}",
    "log_events.segment.step": "{moved_steps:+.0f}, speed {change_rpm:+.0f}",
    "log_events.segment.load": "load {change_W:+.0f}",
    "log_events.segment.switched_on": "a load is switched on",
    "log_events.segment.switched_off": "a load is switched off",
    "log_events.segment.load_comes": "a load comes on: {change_rpm:+.0f}{change_kPa!k:, {change_kPa:+.1f}}",
    "log_events.segment.load_goes": "a load goes: {change_rpm:+.0f}{change_kPa!k:, {change_kPa:+.1f}}",
    "log_events.segment.air_comes": "air is added: {change_rpm:+.0f}{change_kPa!k:, {change_kPa:+.1f}}",
    "log_events.segment.air_goes": "air is taken away: {change_rpm:+.0f}{change_kPa!k:, {change_kPa:+.1f}}",
    "log_events.segment.hunting": "hunting, {hunting_rpm:.0f} every {hunting_period_s:.1f}",
}

_HUNTING: dict[str, Sentence] = {
    "diagnosis.hunting.no_stretch": "no undisturbed idling of 15 s: record a minute with nothing changed",
    "diagnosis.hunting.slow_log": "speed is new only every {refresh_s:.1f}, too slowly to see hunting:"
    " record at 5 rows a second or more",
    "diagnosis.hunting.slow_varies": "speed varies by {spread_rpm:.0f} rms, refreshed every {refresh_s:.0f}:"
    " too slowly to tell hunting from roughness; record at 5 rows a second or more",
    "diagnosis.hunting.slow_steady": "speed stays within {spread_rpm:.1f} rms, refreshed every"
    " {refresh_s:.0f}: no swing is seen, and what the valve does was not recorded; record valve steps at"
    " 5 rows a second or more, or hold the valve still for 30 s",
    "diagnosis.hunting.slow_quiet": "it does not hunt: speed stays within {spread_rpm:.1f} rms (it is"
    " refreshed only every {refresh_s:.0f}, which hides fast swings' shape but not their size)",
    "diagnosis.hunting.valve_unseen": "a regular swing of {swing_rpm:.0f} every {period_s:.1f}: hunting, or"
    " a load that cycles; whether the valve makes it is not in this log: record valve steps at 5 rows a"
    " second or more, or hold the valve still for 30 s: if speed still swings, it is not the idle"
    " feedback",
    "diagnosis.hunting.load_or_slow": "speed goes from one level to another and back: a load that cycles, or"
    " slow hunting; record valve steps at 5 rows a second or more, or hold the valve still for 30 s",
    "diagnosis.hunting.no_swing_seen": "speed alone shows no regular swing ({spread_rpm:.0f} rms); what the"
    " valve does was not recorded: record valve steps at 5 rows a second or more, or hold the valve"
    " still for 30 s",
    "diagnosis.hunting.leads": "it hunts: {swing_rpm:.0f} every {period_s:.1f}. The valve moves and speed"
    " follows, {between_rpm:.0f} higher while it stands further open: the feedback makes it",
    "diagnosis.hunting.to_and_fro": "it hunts: the valve goes to and fro and speed with it,"
    " {between_rpm:.0f} between its sides{move_steps!k:, in moves of about {move_steps:.0f}}",
    "diagnosis.hunting.bangs": "it hunts: speed swings by {swing_rpm:.0f} about every {period_s:.1f} while"
    " the valve goes over and back by about {move_steps:.0f}, each move undoing the one before",
    "diagnosis.hunting.from_outside": "it does not hunt: a regular swing of {swing_rpm:.0f} every"
    " {period_s:.1f} of which the valve's moves make little: it follows a swing from outside, or takes"
    " no part. To be sure hold it still: if speed still swings, it is not the idle feedback",
    "diagnosis.hunting.doubtful": "speed swings by {swing_rpm:.0f} about every {period_s:.1f} and the valve"
    " moves with it, but whether its moves make the swing or follow it this log cannot tell: hold the valve"
    " still for 30 s: if speed still swings, it is not the idle feedback",
    "diagnosis.hunting.partly": "it hunts, or may, from {from_s!n:.0f} to {to_s:.0f}, and not in the longest"
    " part without disturbance: record two minutes with nothing changed",
    "diagnosis.hunting.settles": "it does not hunt: the valve holds between unequal moves and speed settles",
    "diagnosis.hunting.irregular": "it does not hunt: swings of {swing_rpm:.0f} every {period_s:.1f} are"
    " irregular or no larger than the idle roughness",
    "diagnosis.hunting.once": "the valve went over once or twice and speed with it by {between_rpm:.0f}: a"
    " slow hunt looks so, and so does one disturbance; record for longer",
}

_BESIDE: dict[str, Sentence] = {
    "diagnosis.load.none": "no load that comes and goes again and again",
    "diagnosis.load.switched": "loads are switched {times} times here{period_s!k:, every {period_s:.0f}}, as"
    " recorded: what speed does between is judged",
    "diagnosis.load.cycles": "something switches: {shifts} lasting shifts of about {size_rpm:.0f} with the"
    " valve still{period_s!k:, every {period_s:.0f}}. A load (air conditioning, fan) coming and going,"
    " not hunting",
    "diagnosis.load.or_slow": "something switches: {shifts} lasting shifts of about"
    " {size_rpm:.0f}{period_s!k:, every {period_s:.0f}}: a load (air conditioning, fan) coming and"
    " going, or slow hunting; record valve steps at 5 rows a second or more, or hold the valve still for"
    " 30 s",
    "diagnosis.load.or_swing": "with the valve still speed goes from one level to another {shifts} times, by"
    " about {size_rpm:.0f}: a load coming and going, or a swing that is not the feedback's; note"
    " what is switched while recording",
    "diagnosis.still.valve_unseen": "valve steps were not recorded: record them, or hold it still",
    "diagnosis.still.never": "the valve never stands still for 10 s here: hold it still for 20 s and record",
    "diagnosis.still.swings": "with the valve still, speed swings by {swing_rpm:.0f} every {period_s:.1f}:"
    " look at fuel, spark and leaks, not at the feedback",
    "diagnosis.still.scatters": "with the valve still, speed varies by {swing_rpm:.0f} peak to peak,"
    " irregularly",
    "diagnosis.scatter.unseen": "valve steps were not recorded",
    "diagnosis.scatter.chased": "the valve moves {moves_per_min!n:.0f} times a minute though nothing hunts:"
    " it dithers. Idle roughness is {scatter_rpm:.0f} (standard deviation); with a deadband of about"
    " ±{deadband_rpm:.0f} the valve would move less, and with 3 to 4 times that roughness hold",
    "diagnosis.scatter.moves": "{moves_per_min!n:.0f} moves a minute",
    "diagnosis.spark.unseen": "spark was not recorded, or speed not quickly enough: record both at 5 rows a"
    " second to see whether spark steadies or unsettles idle",
    "diagnosis.spark.retards": "spark retards by {slope_deg!n:.1f} deg for each 100 rpm that speed falls: it"
    " pulls speed further down each time. Make the table flat, or advancing by 2 to 4° per 100 rpm below"
    " target within about 5 to 25° before top dead centre; check the timing marks with a timing light"
    " first",
    "diagnosis.spark.advances": "spark advances by {slope_deg!n:.1f} deg per 100 rpm as speed falls: it"
    " steadies idle",
    "diagnosis.spark.apart": "spark does not follow speed",
    "diagnosis.beyond.nothing": "nothing in this log points to anything but the valve and its feedback",
    "diagnosis.beyond.may_be": lambda values, tell: "it may be: " + "; or ".join(map(tell, values["causes"])),
    "diagnosis.beyond.fuel_cut": "fuel cut on the overrun too near the idle, as speed idles {above_rpm:.0f}"
    " above target: raise the speed at which fuel comes back, or lower the idle, and see the swing end",
    "diagnosis.beyond.mixture": "mixture control swinging with its sensor ({period_s:.1f}, as slow as"
    " exhaust takes to answer): switch it off and see whether the swing ends",
    "diagnosis.beyond.misfire": "a misfire, as speed dips more than it rises: pull one plug lead after the"
    " other; the one that changes nothing is it",
    "diagnosis.beyond.lean": "a lean or uneven idle, spark that swings, or a spindle that leaks each time"
    " otherwise: enrich a little by hand, then hold the throttle shut by hand, and see which ends it",
    "diagnosis.beyond.flicker": "a throttle sensor or switch that flickers, {times_per_min!n:.0f} times a"
    " minute, so that feedback comes and goes: unplug it at idle, or widen what counts as shut",
}

_VALVE: dict[str, Sentence] = {
    "diagnosis.position.wrong_way": "not told while more steps give less air: put the direction right first",
    "diagnosis.position.driven": "the engine is driven, or its throttle open, for more than a tenth of this"
    " log, and a throttle that does not quite shut looks alike: record an idle with the throttle left alone",
    "diagnosis.position.slow_log": "recorded at {rate_Hz:.1f}, air and steps are not of one moment while the"
    " valve is busy: record at 5 rows a second, or hold it still",
    "diagnosis.position.warming": "while an engine warms, air at the same steps changes by itself: record"
    " some minutes hot",
    "diagnosis.position.never_settles": "the valve does not hold long enough for the air at the same steps"
    " to be compared: hold it still for some half minutes at one position",
    "diagnosis.position.unseen": "needs valve steps and manifold pressure: without pressure a load and a"
    " lost position look alike; engine off, home the valve, start again and see whether the same steps"
    " give the same speed",
    "diagnosis.position.kept": "the same steps give the same air throughout",
    "diagnosis.position.kept_hot": "the same steps give the same air throughout once the engine is hot",
    "diagnosis.position.none_lost": "no air was lost at the same steps",
    "diagnosis.position.lost": "at {at_s:.0f} the engine lost {air_percent:.0f} of its air at the same"
    " steps{worth_steps!k: (as much as {worth_steps:.0f})}: steps were lost toward the seat, or the hose was"
    " pinched. Engine off, home the valve",
    "diagnosis.position.goes": "over {over_s:.0f} the engine lost {air_percent:.0f} of its air little by"
    " little at the same steps{worth_steps!k: (as much as {worth_steps:.0f})}: steps are lost toward the seat"
    " now and then. Engine off, home the valve, and look at pulse, voltage and connector",
    "diagnosis.position.comes": "over {over_s:.0f} the engine got {air_percent:.0f} more air little by"
    " little at the same steps{worth_steps!k: (as much as {worth_steps:.0f})}: steps are lost toward open now"
    " and then. Engine off, home the valve, and look at pulse, voltage and connector",
    "diagnosis.leak.air_went": "air went, none came in",
    "diagnosis.leak.came": "at {at_s:.0f} the engine got {air_percent:.0f} more air at the same"
    " steps{worth_steps!k: (as much as {worth_steps:.0f})}: a vacuum leak, a throttle that does not shut, or"
    " steps lost toward open",
    "diagnosis.leak.unseen": "needs valve steps and target: pinch each hose and watch speed, or look for"
    " leaks with smoke or low pressure, engine off",
    "diagnosis.leak.too_much": "speed is {over_rpm:.0f} above target with the valve as far closed as it goes"
    " ({lowest_steps:.0f}): too much air comes in past it (vacuum leak, throttle stop)",
    "diagnosis.leak.none": "no air that the valve does not account for is seen",
    "diagnosis.direction.unseen": "valve steps were not recorded",
    "diagnosis.direction.air_falls": "the engine draws less air as steps are added: the valve is wired the"
    " wrong way round, or its steps are counted from the open end",
    "diagnosis.direction.air_rises": "the engine draws more air as steps are added, as it should",
    "diagnosis.direction.pressure_falls": "manifold pressure falls as steps are added: the valve is wired"
    " the wrong way round",
    "diagnosis.direction.pressure_rises": "manifold pressure rises at once as steps are added, as it should",
    "diagnosis.direction.contradiction": "pressure just after moves and the air drawn do not agree: command"
    " the valve a few steps open and see speed rise",
    "diagnosis.direction.speed_falls": "speed falls as steps are added: wired the wrong way round",
    "diagnosis.direction.speed_rises": "speed rises as steps are added",
    "diagnosis.direction.runs_away": "the valve went a long way against an error that only grew: wired the"
    " wrong way round is not excluded. Command it a few steps open and see speed rise",
    "diagnosis.direction.slow_log": "recorded at {rate_Hz:.1f}, what follows at once from a move is not"
    " seen: record at 5 rows a second, or command the valve a few steps open and see speed rise",
    "diagnosis.direction.few_moves": "too few clear moves: command the valve a few steps open and see"
    " speed rise",
    "diagnosis.limit.unseen": "needs valve steps and the target speed",
    "diagnosis.limit.closed": "for {time_percent:.0f} of the time the valve stands at its closed limit and"
    " speed is off target: the integral winds up there; move the base curve or the throttle stop",
    "diagnosis.limit.open": "for {time_percent:.0f} of the time the valve stands at its open limit and speed"
    " is off target: the integral winds up there; move the base curve or the throttle stop",
    "diagnosis.limit.none": "the valve does not stand at a limit",
    "diagnosis.base.unseen": "needs valve steps, coolant temperature and the target (from log or car file)",
    "diagnosis.base.never_held": "idling, speed was not within a little of its target for long enough at any"
    " temperature",
    "diagnosis.base.held": "{steps:.1f} at {coolant_degC:.0f}",
    "diagnosis.base.held_off": "{steps:.1f} at {coolant_degC:.0f} ({off:+.1f} from base)",
    "diagnosis.base.no_car": "positions that held target: {rows}; with --car, beside the base curve",
    "diagnosis.base.held_at": "positions that held target, beside the base curve: {rows}",
}

_WHOLE: dict[str, Sentence] = {
    "diagnosis.no_idling": lambda values, tell: tell(
        "The log has no idling to judge: {driven_percent:.0f} of it is driving or throttle."
        if values["driven_percent"] >= 1.0
        else "The log has no idling to judge."
    ),
    "diagnosis.verdict": lambda values, tell: tell(
        "{why!c}." if values["cause"] == "hunting" else "{cause!c}: {why}."
    ),
    "diagnosis.judged": "the stretch judged: {from_s!n:.0f} to {to_s:.0f}",
    "diagnosis.driven": "driving or throttle: {driven_percent:.0f} of the running engine's time, left out",
    "diagnosis.hot": "hot part ({from_s!n:.0f} to {to_s:.0f}): mean {mean_rpm:.0f}, spread of all it does"
    " (standard deviation) {scatter_rpm:.1f}{mean_map_kPa!k:, manifold {mean_map_kPa:.0f}}",
    "diagnosis.warming": "warm-up from {from_degC!n:.0f} to {to_degC:.0f}: time constant"
    " {time_constant_s:.0f} towards {end_degC:.0f}",
    "diagnosis.finding": "{name}: {answer}. {why!c}.",
    "diagnosis.open_question": "{name}: this log cannot tell. {why!c}.",
    "diagnosis.next.explain": "next: evenidle explain CAR.toml names the setting that makes it hunt,"
    " evenidle tune finds another",
    "diagnosis.next.other_settings": "next: the valve moves by {move_steps:.0f} where the car file has a"
    " minimum move of {file_steps:.0f}: enter the controller's own settings in the car file, then"
    " evenidle explain CAR.toml",
    "diagnosis.next.new": "next: evenidle new CAR.toml describes the car, then evenidle explain CAR.toml"
    " names the setting that makes it hunt",
    "diagnosis.next.check": "next: evenidle check CAR.toml, before feedback is switched on again",
    "diagnosis.next.quiet": "next: evenidle fit CAR.toml LOG.csv --out FITTED.toml, if the log was made for"
    " that",
    "diagnosis.next.record": "next: evenidle fit CAR.toml --guide says how to record; then diagnose that log",
    "diagnosis.next.hold": "next: hold the valve still for 30 s, record it, and evenidle diagnose that log",
}

SENTENCES: dict[str, Sentence] = {**_SEGMENTS, **_HUNTING, **_BESIDE, **_VALVE, **_WHOLE}
"""By the codes of ``tuning.log_events`` and ``tuning.diagnosis``."""
