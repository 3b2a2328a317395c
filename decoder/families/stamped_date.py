"""Plain dates on parts: pencilled, stamped, engraved or written on a label, in the orders that people use.

Every order is a layout of `stamped/schemes.toml`; an ambiguous date gives a reading for each order, and the
instrument's country ranks them. Japanese eras are read by letter or sign, and cut to the days of the era.
"""

from __future__ import annotations

from typing import Final

from decoder.scheme.plain import PlainFamily

FAMILY: Final = PlainFamily(
    id="stamped_date",
    kinds=frozenset(
        "label decal hangtag case serial neck neck-heel neck-plate fingerboard truss-rod-cover nut body body-cavity "
        "finish pickup pickup-cover pickup-base pickguard bridge saddle tailpiece vibrato tuner potentiometer "
        "capacitor circuit-board wiring chassis tube-chart speaker transformer tube motor other".split()
    ),
    package="stamped",
)
