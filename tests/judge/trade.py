"""A test procedure that holds the check values of the trade. All of its limits: common practice, no source.

It is no procedure to service anything by; the shipped procedures have invented limits of their own.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from types import MappingProxyType

from capture.procedure.model import (
    Answer,
    Budget,
    Change,
    Check,
    Counter,
    Direction,
    Identity,
    Instrument,
    Limit,
    Need,
    Order,
    Part,
    PhotoView,
    Procedure,
    Rate,
    Reading,
    Role,
    Stage,
    Unlock,
)

SOURCE = "common practice, no source"


def D(text: str) -> Decimal:  # noqa: N802
    return Decimal(text)


def limit(stage: str, low: str | None, high: str | None) -> Limit:
    return Limit(stage, None if low is None else D(low), None if high is None else D(high), SOURCE)


def needs(*pairs: str) -> tuple[Need, ...]:
    return tuple(Need(kind, ref) for kind, ref in (pair.split() for pair in pairs))  # type: ignore[arg-type]


def yes_no(id_: str, name: str) -> Check:
    return Check(id_, name, (id_,), (Answer("yes", ("yes",)), Answer("no", ("no",))), ("yes",))


LEVER = Reading(
    id="lever", name="Lever height", spoken=("lever height",), quantity="length", units=("mm", "in"),
    plausible_low=D("-2"), plausible_high=D("10"), decimals=2, instrument="depth", rule="guard_band",
    # 2 to 4 mm before pressurising; never below the rim; about 0.5 mm at most with the cover on.
    limits=(limit("dry", "2", "4"), limit("wet", "0", None), limit("tuned", "0", None), limit("closed", "0", "0.5")),
    # About 1 mm lower once pressurised.
    changes=(Change("dry", "wet", D("-1.2"), D("-0.8"), SOURCE),),
)  # fmt: skip

SUPPLY = Reading(
    id="supply", name="Supply pressure", spoken=("supply pressure",), quantity="pressure", units=("psi", "bar"),
    plausible_low=D("50"), plausible_high=D("300"), decimals=0, instrument="supply_gauge", rule="guard_band",
    # Supply (intermediate) pressure for tuning 125 to 145 psi.
    limits=(limit("wet", "125", "145"), limit("repeat", "125", "145")),
    changes=(Change("wet", "repeat", D("-2"), D("2"), SOURCE, repeat=True),),
)  # fmt: skip

EFFORT = Reading(
    id="effort", name="Opening effort", spoken=("opening effort",), quantity="pressure", units=("inH2O", "mbar"),
    plausible_low=D("0.1"), plausible_high=D("5"), decimals=2, instrument="water", rule="guard_band",
    # Opening effort wanted 1.0 to 1.2 inches of water.
    limits=(limit("tuned", "1.0", "1.2"), limit("repeat", "1.0", "1.2")),
    changes=(Change("tuned", "repeat", D("-0.05"), D("0.05"), SOURCE, repeat=True),),
    rates=(
        # A quarter turn of the spring moves the effort by less than 0.1 inch.
        Rate("spring", Fraction(1, 4), D("0.01"), D("0.1"), SOURCE),
        Rate("orifice", Fraction(1, 12), D("0.1"), D("0.3"), SOURCE),
    ),
)  # fmt: skip

PROUD = Reading(
    id="proud", name="Spring tip above its seat", spoken=("spring tip",), quantity="length", units=("mm",),
    plausible_low=D("0"), plausible_high=D("3"), decimals=1, instrument=None, rule="simple",
    # The adjusting spring's tip stands 0.5 mm proud.
    limits=(limit("dry", "0.4", "0.6"),),
)  # fmt: skip

WAYS = (Direction(("in",), 1), Direction(("out",), -1))

TRADE = Procedure(
    id="trade", name="Check values of the trade", version="1", source=SOURCE,
    cautions=("Test values only; follow the maker's manual.",),
    stages=(
        Stage("received", "As received", ("received",), needs("identity serial", "reading supply")),
        Stage("dry", "Before pressurising", ("dry",), needs("part *", "check pin", "check upright", "reading lever",
              "photo side")),
        Stage("wet", "Pressurised", ("wet",), needs("instrument supply_gauge", "reading supply", "reading lever")),
        Stage("tuned", "Tuning", ("tuning",), needs("reading effort", "turn orifice")),
        Stage("closed", "Cover on", ("cover on",), needs("check cap", "reading lever")),
        Stage("repeat", "Repressurised", ("repressurised",), needs("reading supply", "reading effort")),
    ),
    identities=(Identity("serial", "Serial number", ("serial",), None),),
    instruments=(
        Instrument("depth", "depth gauge", ("depth gauge",), "length", "mm", None, D("0.02"), True, True),
        Instrument("supply_gauge", "supply gauge", ("supply gauge",), "pressure", "psi", D("1"), None, True, True),
        Instrument("water", "water gauge", ("water gauge",), "pressure", "inH2O", None, D("0.01"), True, False),
    ),
    readings=(LEVER, SUPPLY, EFFORT, PROUD),
    counters=(
        Counter("orifice", "Orifice", ("orifice",), WAYS, Fraction(1, 12), (
            # A first value below 0.9 allows one further twelfth of a turn (30 degrees), once only.
            Budget("tuned", Fraction(1, 12), 1, Unlock("effort", D("0.9"), None), SOURCE),
        )),
        Counter("spring", "Adjusting spring", ("spring",), WAYS, Fraction(1, 4), (
            Budget("tuned", Fraction(1), None, None, SOURCE),
        )),
    ),
    checks=(
        yes_no("pin", "Spring pin centred"),
        yes_no("upright", "Lever tips upright, without tilt"),
        yes_no("cap", "End cap in"),
        Check("hose", "Hose", ("hose",), (Answer("soft", ("soft",)), Answer("hard", ("hard",))), ()),
    ),
    parts=(
        Part("seat", "Seat", ("seat",), 1, True, True),
        Part("ring", "O-ring", ("ring",), 3, True, False),
        Part("tie", "Mouthpiece tie", ("tie",), 1, False, False),
    ),
    photos=(
        PhotoView("side", "Lever from the side", ("side",), "tip_height", "lever", D("60")),
        PhotoView("whole", "Whole unit", ("whole",), None, None, None),
    ),
    orders=(
        # A spring pin is centred before the lever is fitted; the end cap goes in after tuning.
        Order(Need("check", "pin"), Need("check", "upright"), "The pin is centred before the lever is fitted."),
        Order(Need("turn", "orifice"), Need("check", "cap"), "The end cap goes in after tuning."),
    ),
    roles=(Role("technician", "Technician", ("technician",), ()), Role("reviewer", "Reviewer", ("reviewer",),
           ("technician",))),
    pronunciations=MappingProxyType({}), digest="", text="",
)  # fmt: skip
