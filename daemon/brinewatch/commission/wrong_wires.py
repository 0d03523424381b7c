"""What a wrong wire looks like, by kind of bus: one list for the terminal and for the guide.

Common practice where no source is named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from brinewatch.proving.moves import Seen

_LOST, _BAD, _STILL, _WAY, _NOISE, _SWAP = (
    Seen.SILENT, "bad answers", Seen.STILL, Seen.WRONG_WAY, Seen.NOISY, Seen.ANOTHER,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wrong:
    """seen: what shows; wire: which wire is wrong; do: what to do."""

    seen: str
    wire: str
    do: str


_SWAPPED = Wrong(_SWAP, "two probes are swapped, or two names",
                 "Swap the two names in the shed file, or the two plugs; label both.")  # fmt: skip
_DEAD = Wrong(_STILL, "the channel reads something else, such as a register that never changes, or an old answer",
              "Hold register, value number or attribute against the maker's table.")  # fmt: skip
WRONG: Mapping[str, Sequence[Wrong]] = {
    "modbus_rtu": (
        Wrong(_LOST, "A and B are swapped (makers do not agree which is which)",
              "Swap the two wires at the probe."),
        Wrong(_LOST, "address, speed or parity is another", "Stop the watch and run brinewatch commission find."),
        Wrong(_LOST, "no supply at the probe, or a common wire is missing between two supplies",
              "Measure the supply at the probe's own plug; join the commons as its manual says."),
        Wrong(_BAD, "two devices have one address, or a second master talks",
              "Take the probes off one by one until it is quiet."),
        Wrong(_BAD, "no termination on a long line, or terminators in the middle; no bias when nobody talks",
              "120 ohm at both ends and nowhere else, bias at one place (Modbus over serial line V1.02, 3.4, from "
              "memory)."),
        Wrong(_NOISE, "the cable runs beside mains or a frequency converter; its screen is open or earthed twice",
              "Cross mains at right angles, keep a hand's width away, earth the screen at one end."),
        Wrong(_WAY, "the order of bytes or the scale is wrong", "Try CDAB, BADC, DCBA; see the maker's table."),
        _SWAPPED, _DEAD,
    ),
    "iio": (
        Wrong(_LOST, "the loop is open or its poles are swapped: 0 mA (NAMUR NE 43: 3.6 mA and less is a failure)",
              "Measure the current in the loop; swap the two wires; look for the loop's supply."),
        Wrong(_LOST, "the loop is shorted, or the transmitter sees the supply without the shunt: 21 mA and more",
              "Look for a bridge between the wires, then at the transmitter (NAMUR NE 43)."),
        Wrong(_WAY, "low and high of the loop are the wrong way round, or the sensor's two hoses are",
              "Swap low and high, or the hoses."),
        Wrong(_NOISE, "a ground loop: the loop is earthed at two places, or shares its return with a motor",
              "Isolate the input, or give the loop a supply of its own."),
        Wrong(_STILL, "another input of the converter is read", "Try the next attribute."),
        _SWAPPED,
    ),
    "onewire": (
        Wrong(_LOST, "data and supply are swapped, or the pull-up resistor is missing",
              "4.7 kilohm between data and 3.3 V (DS18B20 data sheet); then swap two wires at a time."),
        Wrong(_BAD, "a long or starred cable, or two wires without a supply wire",
              "One line without branches; give the probe its third wire."),
        Wrong(_STILL, "a thermometer with another number hangs there", "Look for the number that moves."),
        _SWAPPED,
    ),
    "sdi12": (
        Wrong(_LOST, "data and supply are swapped, or there is no 12 V", "Measure 12 V at the probe's plug."),
        Wrong(_LOST, "two probes have one address; new ones all come as 0",
              "Give each its own, alone on the line."),
        Wrong(_BAD, "the line is too long or has too many probes",
              "60 m and ten probes at most (SDI-12 version 1.4, from memory)."),
        _SWAPPED, _DEAD,
    ),
    "line_serial": (
        Wrong(_LOST, "sending and receiving wires are swapped, or the speed is another",
              "Swap the two; see its manual."),
        Wrong(_BAD, "the speed or parity is another: letters come that make no sense",
              "Try the speeds of its manual."),
        _SWAPPED, _DEAD,
    ),
    "gpio": (
        Wrong(_STILL, "another line is read, or its contact never closes",
              "Bridge the two wires at the plug: it must change."),
        Wrong(_WAY, "a normally open contact where a normally closed one belongs",
              "Swap the contact, or set active_low."),
        Wrong(_NOISE, "the contact bounces, or a long wire picks up a motor",
              "Set debounce_ms; use a screened pair and an opto-isolator."),
        _SWAPPED,
    ),
    "mqtt_in": (
        Wrong(_LOST, "topic or the place of the value is another, or the broker refuses", "See: brinewatch probes"),
        _SWAPPED, _DEAD,
    ),
}  # fmt: skip


def hints(kind: str, seen: Seen, reason: str) -> list[Wrong]:
    """What to look at, the likeliest first."""
    bad = seen is Seen.SILENT and any(
        word in reason for word in ("checksum", "instead of", "broke off", "quiet", "garbled")
    )
    wanted = {str(_BAD)} if bad else {str(seen)}
    return [one for one in WRONG.get(kind, ()) if str(one.seen) in wanted]
