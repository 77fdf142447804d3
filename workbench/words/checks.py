"""Sentences of the checks of a car file."""

from __future__ import annotations

from workbench.words.sentence import Sentence

SENTENCES: dict[str, Sentence] = {
    "checks.direction": "direction",
    "checks.direction.value": "{reversed!p:steps meant to open close it|opening steps open}, by the car"
    " file; the sheet tells how to test it",
    "checks.direction.why": "wired the wrong way round, feedback drives the engine away from its target",
    "checks.direction.do": "swap the two wires of one coil, and test again",
    "checks.homing_reach": "whether homing reaches the seat",
    "checks.homing_reach.value": "{homing_steps}, {counted!p:{margin} more than the farthest position,"
    " {farthest}{astray!p:; they drive it open, as it is wired the wrong way round}|but how far the"
    " valve goes is a guess ({farthest} steps): it may never reach its seat}",
    "checks.homing_reach.why": "homing must end at the seat from wherever the valve stood, also if steps"
    " were lost; what a miss does for an hour: simulate --scenario cold_hour, with some --seed (where"
    " the valve was left is chance)",
    "checks.homing_reach.swap_first": "swap the two wires of one coil first",
    "checks.homing_reach.count": "measure first: count the valve's travel, engine off (see evenidle new),"
    " and set travel_steps, homing_steps 1.5 times that, and travel_counted = true",
    "checks.homing_reach.do": "drive {homing_steps} closed at power-up, twice the farthest position",
    "checks.homing_time": "homing time",
    "checks.homing_time.value": "{takes_s:.2f}, best below {most_s:g}",
    "checks.homing_time.why": "until it is homed the valve cannot be where cranking wants it",
    "checks.homing_time.do": "home with fewer steps or a shorter rest, or after the engine is switched off",
    "checks.pulse": "pulse",
    "checks.pulse.value": "{pulse_ms:g}; needed {running_ms:.1f} running with a hot coil, {loaded_ms:.1f}"
    " with everything on ({loaded_V:.1f}), {cold_ms:.1f} when the starter pulls the battery to"
    " {cold_V:.1f} at {cold_degC:.0f}",
    "checks.pulse.why": "a pulse too short for voltage and coil lets the motor skip, and position is lost",
    "checks.pulse.do": "set {advised_ms:.1f} or more",
    "checks.hot_cranking": "pulse while cranked hot",
    "checks.hot_cranking.value": "{pulse_ms:g}; needed {hot_ms:.1f} at {hot_V:.1f} with a coil at"
    " {hot_degC:.0f}",
    "checks.hot_cranking.why": "if the valve still moves while the starter pulls the battery down, a hot"
    " coil takes too little current and steps are lost: after homing nothing finds them again",
    "checks.hot_cranking.do": "leave the key on for {wait_s:.1f} before cranking a hot engine, so that the"
    " valve is homed and stands where cranking wants it, or set {advised_ms:.1f} or more",
    "checks.rest": "rest",
    "checks.rest.value": "{rest_ms:g}, {least_ms:g} suffices",
    "checks.rest.why": "the rotor must come to rest before the next step, and the coil stay cool",
    "checks.rest.do": "set {least_ms:g}",
    "checks.open_limit": "whether the open limit is within travel",
    "checks.open_limit.value": "open limit {limit}, hard stop at {travel_steps}",
    "checks.open_limit.why": "steps counted against the hard stop are not made, and position is lost",
    "checks.open_limit.do": "set the open limit to {travel_steps} or less",
    "checks.useful_travel": "whether useful travel is used",
    "checks.useful_travel.value": "open limit {limit}, useful travel {useful_steps}",
    "checks.useful_travel.why": "an open limit below useful travel gives away air for cold starts and loads",
    "checks.useful_travel.do": "set the open limit to {useful_steps} or a little more",
    "checks.backlash": "backlash",
    "checks.backlash.value": "{play_steps:g}, minimum move {move}",
    "checks.backlash.why": "a move smaller than the play does nothing after a reversal",
    "checks.backlash.do": "take a valve without play, or a minimum move above it",
    "checks.slew": "whether the valve keeps up with updates",
    "checks.slew.value": "{move_ms:g} for a minimum move, {period_ms:g} between updates",
    "checks.slew.why": "decisions faster than the valve can follow chase a target that has moved on",
    "checks.slew.do": "set the update period to {move_ms:g} or more",
    "checks.resolution": "whether a minimum move can land in the deadband",
    "checks.resolution.value": "deadband {width_rpm:.0f} wide, one move is {move_rpm:.0f} at {at_degC:.0f}",
    "checks.resolution.why": "where no position lies within the deadband an integrating law must hunt",
    "checks.resolution.do": "take {finer!p:a smaller minimum move, or |}a deadband half-width of {half_rpm}"
    " or more{cold!p:; warm, where searches try them, these settings hold}",
    "checks.worth_taking": "whether a minimum move is worth taking",
    "checks.worth_taking.value": "{worth_rpm:.0f} warm, {step_rpm:.0f} per step; idle roughness with the"
    " valve held (standard deviation) {known!p:{scatter_rpm:.0f}|not known, as it stalls}",
    "checks.worth_taking.why": "moves far smaller than the idle roughness only wear the valve",
    "checks.worth_taking.do": "take a minimum move of {move_steps}",
    "checks.base": "base curve at {at_degC:.0f}",
    "checks.base.value": "{settled!p:{passing!p:while warming up it runs|settles} at {settled:.0f}|cannot"
    " run} on {base_steps:.0f}, target {target_rpm:.0f}; valve gain {worth_rpm_per_step:.0f}",
    "checks.base.why": "feedback corrects small errors; a base curve far off leaves it at its trim limit",
    "checks.base.do": "in the model: {towards}; see evenidle base",
    "checks.towards.out_of_reach": "the open limit does not reach the target: raise it if the valve has"
    " travel left, else open the throttle stop a little and lower all curves",
    "checks.towards.cold_air": "the open limit does not reach the target: raise it if the valve has travel"
    " left, else an auxiliary valve that passes air only while cold, or a larger valve",
    "checks.towards.seat_too_much": "even at the seat it idles above the target: close the throttle stop a"
    " little",
    "checks.towards.steps": "{by!a:.0f} steps {by!p:more|fewer} at this temperature",
    "checks.towards.oil_behind": "{by!a:.0f} steps more at this temperature, or after-start air that decays"
    " over up to {fade_s:g}, where it is only oil still cold from the start that wants it",
    "checks.close": "room to close at {at_degC:.0f}",
    "checks.close.value": "{close_steps:.0f}, which lower speed by {close_rpm:.0f}",
    "checks.close.why": "a base curve near the seat leaves feedback nothing to close",
    "checks.close.wider_trim": "lower the low trim limit once the valve is known to be sound",
    "checks.close.base_first": "raise the base curve here first, to {mended_steps:.0f} in the model:"
    " {room_steps:.0f} can then be closed; only if it idles right as it is, {stop}",
    "checks.stop.close_all": "close the throttle stop until the warm base curve stands at {least:.0f} to"
    " {most_steps:.0f} (10 to 15 % of travel), as far as the plate does not jam; then set the throttle"
    " sensor's closed reading again",
    "checks.stop.close": "close the throttle stop until the warm base curve stands at {least:.0f} to"
    " {most_steps:.0f} (10 to 15 % of travel): in the model from {now_mm2!n:.1f} to {then_mm2:.1f} of"
    " opening, the base curve at {at_degC:.0f} then becomes {higher_steps:.0f}; the plate must not jam,"
    " and the throttle sensor's closed reading is set again",
    "checks.open": "room to open at {at_degC:.0f}",
    "checks.open.value": "{open_steps:.0f}, which raise speed by {open_rpm:.0f}",
    "checks.open.why": "a load must be answered by opening; at the end of useful travel nothing is left",
    "checks.open.do": "{trim!p:raise the high trim limit|the valve is at its end here: {more}}",
    "checks.cranking": "whether cranking is above running",
    "checks.cranking.value": "least {margin_steps:+.0f}, at {at_degC:.0f}{at_limit!p: where both are at the"
    " open limit}; lowest cranking value {least_steps:.0f}",
    "checks.cranking.why": "cranking wants more air than running at every temperature",
    "checks.cranking.do": "raise the cranking curve at {at_degC:.0f} to {wanted_steps:.0f} or more, and"
    " nowhere below {least_steps!n:.0f}",
    "checks.to_running": "from cranking to running position",
    "checks.to_running.value": "{takes_s:.2f}, {far_steps:.0f} at {at_degC:.0f}, best below {most_s:g}",
    "checks.to_running.why": "until the valve has come back the engine runs on cranking air and flares",
    "checks.to_running.do": "lower the cranking curve there, or raise after-start air",
    "checks.reach": "whether curves stay within the open limit",
    "checks.reach.value": "most wanted {wanted_steps:.0f} (base and after-start at {at_degC:.0f}, or"
    " cranking), open limit {limit_steps!n}",
    "checks.reach.why": "what is asked above the open limit is not given",
    "checks.reach.do": "lower the curve; an engine that needs it while cold wants an auxiliary cold-air"
    " valve or a larger one",
    "checks.climate": "whether curves cover the climate",
    "checks.climate.value": "points from {coldest_degC:g} ({coldest}) to {warmest_degC:g} ({warmest}),"
    " wanted {low_degC!n:.0f} to {high_degC:.0f} or more; beyond a curve's ends its last value holds",
    "checks.climate.why": "a colder morning than the first point gets too little air",
    "checks.climate.do": "add a point at the coldest start you expect and one when warm; see evenidle base",
    "checks.curve.target": "target speed",
    "checks.curve.base": "base curve",
    "checks.curve.cranking": "cranking curve",
    "checks.curve.after_start": "after-start air",
    "checks.falls": "whether the {curve} falls with warmth",
    "checks.falls.never": "never rises",
    "checks.falls.rises": "rises by {rise} to {at_degC:g}",
    "checks.falls.why": "a warmer engine needs less air; a rise is mostly a slip of the pen",
    "checks.falls.do": "look at the value at {at_degC:g}",
    "checks.gains": "whether gains suit the valve",
    "checks.gains.value": "{at_once_percent:.0f} of an error answered at once, {second_percent:.0f} each"
    " second; usual are up to {usual_percent:.0f} and {most_percent:.0f}, a search may find more",
    "checks.gains.why": "a gain that answers more than the whole error mostly drives speed past its target",
    "checks.gains.do": "take a gain of {most_steps_per_100rpm:.1f} at the most; where evenidle tune found"
    " more, keep that: it runs the whole loop, this line looks at the valve gain alone",
    "checks.lets_go": "whether feedback acts as high as trim can lift speed",
    "checks.lets_go.value": "acts up to {acts_rpm:.0f} above target, the high trim limit adds up to"
    " {adds_rpm:.0f} when warm",
    "checks.lets_go.why": "a load that goes off with the trim wide open leaves speed above that, and feedback"
    " never closes the valve again: the engine stays fast",
    "checks.lets_go.do": "lower the high trim limit, or let feedback act up to {adds_rpm:.0f} above target",
    "checks.hottest": "whether points lie where an engine can be",
    "checks.hottest.value": "hottest point of a curve {hottest_degC:.0f}, usual up to {most_degC:.0f}",
    "checks.hottest.why": "a point where the engine never is bends the curve before it",
    "checks.hottest.do": "look at that point; it is mostly a slip of the pen",
    "checks.alternator": "whether the alternator carries the lamps at idle",
    "checks.alternator.value": "gives up to {able_W:.0f} at warm idle, drawn {drawn_W:.0f} with lamps on",
    "checks.alternator.why": "what it does not give the battery gives: voltage falls, coils pull less, and"
    " it empties",
    "checks.alternator.do": "measure the voltage at idle with lamps on, or idle a little faster",
    "checks.fade": "decay of the after-start air",
    "checks.fade.value": "{fade_s:g}, usual {least_s!n:g} to {most_s:g}",
    "checks.fade.why": "after-start air covers the time until walls and oil are no longer stone cold",
    "checks.fade.do": "set about 20 s, or what evenidle base proposes",
    "checks.waits": "whether feedback waits out the after-start air",
    "checks.waits.value": "acts {waits_s:g} after the start, the air decays over {fade_s:g}",
    "checks.waits.why": "feedback that acts while that air decays trims it away, and must undo that trim"
    " afterwards",
    "checks.waits.do": "set the wait after a start to {fade_s:g}",
}
