"""What to prepare and what to mind, in plain words, for each reference."""

from __future__ import annotations

from collections.abc import Mapping

from brinewatch.signals.records import Reference

PREPARE: Mapping[Reference, tuple[str, ...]] = {
    Reference.AIR_SATURATED: (
        "Fill a clean bucket with the system's own water, at the temperature of the tank, out of the sun.",
        "Bubble it with an air stone for 20 minutes at least and leave it bubbling.",
        "Wipe the probe's cap with a soft wet cloth, look that no growth or scratch is left, and rinse it.",
        "Hang the probe in the bucket away from the bubbles; move it so that none sits on the cap.",
    ),
    Reference.ZERO_OXYGEN: (
        "Caution: sodium sulfite irritates eyes, skin and lungs, and gives off a biting gas with acid.",
        "Gloves and eye protection on, fresh air, nothing acid near; the advice on the packet goes before this.",
        "Never bring it near the tanks: it eats the animals' oxygen.",
        "Dissolve about 20 g of sodium sulfite gently in a litre of fresh water. Fill a narrow jar to the brim.",
        "Put the probe in without a bubble on the cap and close the top as well as you can.",
        "Afterwards rinse the probe in plenty of fresh water, twice. Get rid of the rest as local rules say.",
    ),
    Reference.BUFFER: (
        "Caution: gloves and eye protection on; no buffer goes into the tanks.",
        "For seawater take 7.00 (or 6.865) and 10.01 (or 9.180), so that the water's pH lies between them.",
        "Use fresh buffer in a clean cup, at about the temperature of the tank, and mind its expiry date.",
        "Rinse the electrode with fresh water and dab it dry, never rub it. See that no bubble sits in the bulb.",
        "Put it in, stir once, and leave it still. Never pour used buffer back.",
    ),
    Reference.OPEN_AIR: (
        "Caution: the animals' air must not escape, and pipes near the blower can burn. Keep it short.",
        "Close the tap before the gauge. Without a tap the tube leaks air while it is off: pinch or plug it.",
        "Pull the tube off the gauge so that its port is open to the air of the shed; let water run out of it.",
    ),
    Reference.ICE: (
        "Crush clean ice of fresh water, fill an insulated jar with it, and pour cold fresh water into the gaps.",
        "Wait ten minutes, drain what is too much, and stir. No salt may get in.",
        "Push the probe into the middle, clear of the wall and the bottom.",
    ),
    Reference.STANDARD: (
        "Caution: gloves and eye protection on; follow what the bottle says.",
        "Rinse the cell with fresh water, then with a little of the standard, and throw that away.",
        "Pour the standard into a clean narrow jar, put the cell in over its holes, and tap the bubbles out of it.",
        "Let both come to one temperature, and keep a thermometer in it.",
    ),
    Reference.INSTRUMENT: (
        "Put an instrument that was itself checked lately beside the probe, a hand's breadth away, in one water.",
        "Let both come to rest.",
    ),
}

DRY = "Keep plugs, adapters and your hands dry, and open no mains wiring: that is work for a licensed electrician."

HELD = (
    "While this goes on, what this probe says does not call anybody; every other alarm does, loss of air too. That "
    "ends when you finish, and by itself {span} after you have gone. Giving up at any time leaves everything as "
    "it was."
)

AIR_HELD = (
    "Caution: this gauge is what notices a stopped blower first. Its alarms are on now; they wait for a short time "
    "when you open it, and then call, whatever the reason. Listen to the blower meanwhile, and keep it short. "
    "Giving up at any time leaves everything as it was."
)

BACK = "Rinse the probe, put it back in its place, and see that it is under water and that nothing drips on a plug."
BACK_DRY = "Put the tube back on the gauge, open its tap, and see that it shows the pressure again."
