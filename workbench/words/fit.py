"""How to record a log, and what a fit says of its logs, its numbers and itself."""

from __future__ import annotations

from workbench.words.sentence import Sentence

SENTENCES: dict[str, Sentence] = {
    "identification.no_pressure": "{file}: without manifold pressure, friction, leak and manifold volume are"
    " told less surely",
    "identification.cold": "{file}: recorded cold ({coolant_degC:.0f}); warm friction follows from it by the"
    " oil's law",
    "identification.feedback_on": "{file}: the valve's moves follow speed: feedback was on, which blurs what"
    " the valve does",
    "identification.load": "{size_W:.0f}",
    "identification.loads_found": "loads that were not recorded were found and taken into account: {loads}",
    "identification.spark_unsteadies": "spark moves by {slope_deg_per_100rpm!n:+.1f} deg per 100 rpm below"
    " target and retards as speed falls, which unsteadies idle",
    "identification.spark_steadies": "spark moves by {slope_deg_per_100rpm!n:+.1f} deg per 100 rpm below"
    " target and steadies idle",
    "identification.spark_varies": "spark varies by {spread_deg!n:.1f} deg without following speed; the fit"
    " takes it as constant",
    "identification.moved": "{moves} moves of the valve and the loads moved speed by {moved_rpm:.0f} rms,"
    " idle roughness is {scatter_rpm:.0f}: enough to tell",
    "identification.moved_too_little": "{moves} moves of the valve and the loads moved speed by"
    " {moved_rpm:.0f} rms in {scatter_rpm:.0f} of idle roughness; at least {fewest} moves and {times:g} times"
    " the roughness are needed: record as the guide says (fit --guide)",
    "identification.too_few_holds": "too few holds of the valve to keep any back",
    "identification.holds_predicted": "{holds} holds kept back are predicted to {rms_rpm:.0f} rms"
    " ({fitted_rpm:.0f} where fitted), their levels to {levels_rpm:.0f}",
    "identification.added": "{name} {added:+.2g} {unit}",
    "identification.factor": "{name} times {factor:.2g}",
    "identification.beyond_belief": "the car file had to be changed beyond belief: {numbers}; check it"
    " against the car",
    "identification.guesses_off": "only guesses of the car file were far off: {numbers}",
    "identification.believed": "no number of the car file had to be changed beyond belief",
    "identification.worth": "valve gain {worth_rpm:.1f} per step ({low_rpm!n:.1f} to {high_rpm!n:.1f})",
    "identification.worth_unknown": "valve gain {worth_rpm:.1f} per step ({low_rpm!n:.1f} to"
    " {high_rpm!n:.1f}), not known well enough: more and larger moves, held longer, would tell",
    "identification.hold_more": "valve gain {worth_rpm:.1f} per step ({low_rpm!n:.1f} to {high_rpm!n:.1f}),"
    " not known well enough, as feedback was on throughout. Holds by hand would tell: engine warm, feedback"
    " off, the valve at {base_steps} for {held_s:.0f}, at {open_steps} for {held_s:.0f}, and both once more,"
    " in a log of its own with nothing else changed; then fit both together (evenidle fit CAR LOG LOG)",
    "identification.fed_back": "feedback was on throughout: the way speed goes with the steps is not seen",
    "identification.stood_still": "the valve stood still: its direction is not seen",
    "identification.wrong_way": "speed falls as more steps are commanded: the valve is wired the wrong way"
    " round, or its steps are counted from the open end",
    "identification.right_way": "speed rises with the steps commanded",
    "identification.position_lost": "from {at_s:.0f} on, speed is {off_rpm:+.0f} off for the same steps"
    " (as much as {off_steps:+.1f}): the valve lost its position, or a load changed",
    "identification.position_kept": "the same steps give the same speed throughout",
    "identification.facts_missed": "the log contradicts the car file: {missed}; it is of another car, or"
    " speed, steps or pressure are counted otherwise, or the file is wrong: correct what is",
    "identification.facts_met": "the log agrees with the car file: speed on the base curve{target!k:, target}"
    "{travel!k:, travel}{pressure!k:, pressure}",
    "identification.target_missed": "its target is {recorded_rpm:.0f}, the file's {target_rpm:.0f}",
    "identification.base_missed": "on the base curve ({base_steps:.0f}) it idles at {speed_rpm:.0f} and"
    " reaches the target of {target_rpm:.0f} at {need_steps:.0f}",
    "identification.base_never": "on the base curve ({base_steps:.0f}) it idles at {speed_rpm:.0f}, and no"
    " position gives the target of {target_rpm:.0f}",
    "identification.travel_missed": "the valve goes to {most_steps:.0f}, its travel was counted as"
    " {travel_steps:.0f}",
    "identification.standing_missed": "with the engine standing the manifold is at {at_kPa:.0f}, the air at"
    " {air_kPa:.0f}",
    "identification.pressure_missed": "at {speed_rpm:.0f} the manifold is at {at_kPa:.0f}, where such an"
    " engine needs {needs_kPa:.0f}",
    "identification.cannot_tell": "this log cannot tell {hidden}",
    "identification.like_car": "whether it is of another car that idles alike (the controller's target was"
    " not recorded)",
    "identification.pressure_scale": "whether its pressure reads up to a third wrong (record ten seconds with"
    " the engine standing, key on)",
    "identification.alternator_limit": "whether the alternator carries every load at idle (record the"
    " battery's voltage)",
    "identification.number": "{name}: {unit!k:{change:+.2f} {unit}|file's value x {change:.2f}} ({low:.2f} to"
    " {high:.2f}){value!k:, now {value:.4g}}",
    "identification.number_not_told": "{name}: {unit!k:{change:+.2f} {unit}|file's value x {change:.2f}}"
    " ({low:.2f} to {high:.2f}){value!k:, now {value:.4g}}; the log tells it no better than the file did",
    "identification.trusted": "The fit can be trusted.",
    "identification.not_trusted": lambda values, tell: (
        "The fit is not to be trusted: " + "; ".join(map(tell, values["reasons"])) + "."
    ),
    "identification.at_steps": "at {at_steps:.0f} valve gain {worth_rpm:.1f} per step ({low_rpm!n:.1f} to"
    " {high_rpm!n:.1f}), time constant {time_constant_s:.2f} ({shortest_s!n:.2f} to {longest_s!n:.2f})",
    "identification.scatter": "idle roughness with the valve held {scatter_rpm:.1f} (standard deviation):"
    " torque varies by {uneven_percent:.1f} between firings, {carried_percent:.0f} of it lasts to the next",
    "identification.note": "note: {note}",
    "identification.part_of_the_way": "the car file's rules allow only {share:g} of the way to the best fit",
    "identification.unchanged": "the best fit breaks the car file's rules: the car is unchanged",
    "guide.plan": "Recording plan for {car}: {length_min!n:.1f} minutes at {rate_Hz:g}",
    "guide.advice": "{number}. {text}",
    "guide.columns": "  from     to   valve    about\n     s      s   steps      rpm",
    "guide.hold": "{from_:6.0f} {to:6.0f} {position:7d} {about:8.0f}{load!k:   {load} on}",
    "guide.warm": "Warm the engine fully; coolant must not change by more than a few degrees meanwhile.",
    "guide.feedback_off": "Switch idle feedback off: the valve must stand still between your changes. If the"
    " controller trims spark or mixture at idle, switch that off too, or record both.",
    "guide.by_hand": "Command the valve's position yourself (its base curve when warm will do), beginning at"
    " {base_steps}; never turn it by hand while it is powered.",
    "guide.load": "Use the {load}, as the load, everything else off{all!k:; and once, with the valve opened"
    " before, {all}, switched on within seconds. If speed falls below half, switch off again}.",
    "guide.any_load": "Have one load of known watts ready, everything else off.",
    "guide.record": "Record time, rpm and commanded valve steps at {rate_Hz!n:g} rows a second or as fast as"
    " it goes; manifold pressure, coolant, battery voltage, spark and whether the load is on if you can.",
    "guide.throttle": "Do not touch the throttle. Times need not be exact: only hold still between changes.",
}
