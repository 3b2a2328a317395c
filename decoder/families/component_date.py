"""Date codes of electronic parts: IEC 60062, lots of year and week, valve, capacitor and speaker codes.

Every system is a layout of `component/schemes.toml` with its letters in `component/letters`; cycles give every
turn in which a system was in use. Systems whose tables are not published stand in `component/unreadable`.
"""

from __future__ import annotations

from typing import Final

from decoder.scheme.plain import PlainFamily

FAMILY: Final = PlainFamily(
    id="component_date",
    kinds=frozenset(
        "potentiometer capacitor resistor switch relay semiconductor circuit-board speaker transformer tube "
        "amplifier-capacitor tube-chart chassis motor circuit-breaker other".split()
    ),
    package="component",
)
