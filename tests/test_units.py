"""Units against NIST SP 811 (2008), appendix B.8, and against pint."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.errors import UsageError
from capture.units import QUANTITIES, UNITS, convert, unit

# NIST Special Publication 811 (2008 edition), appendix B.8, as printed there: value of one unit in SI, with the number
# of figures given. Exact ones are marked in bold print there; here they have no tolerance.
SP_811 = [
    ("psi", "Pa", "6894.757"),
    ("bar", "Pa", "100000"),
    ("mbar", "Pa", "100"),
    ("inH2O", "Pa", "249.0889"),
    ("cmH2O", "Pa", "98.0665"),
    ("mmH2O", "Pa", "9.80665"),
    ("in", "mm", "25.4"),
    ("thou", "mm", "0.0254"),
    ("inlb", "Nm", "0.1129848"),
    ("ftlb", "Nm", "1.355818"),
]


@pytest.mark.parametrize(("from_unit", "to_unit", "printed"), SP_811)
def test_nist_sp_811(from_unit: str, to_unit: str, printed: str) -> None:
    expected = Decimal(printed)
    assert convert(Decimal(1), from_unit, to_unit).quantize(expected) == expected


def test_inch_of_water_is_the_conventional_one_not_that_at_39_or_60_fahrenheit() -> None:
    # SP 811 B.8 lists three: conventional 249.0889, at 39.2 F 249.082, at 60 F 248.84 Pa.
    ours = convert(Decimal(1), "inH2O", "Pa")
    assert abs(ours - Decimal("249.0889")) < Decimal("0.00005")
    assert abs(ours - Decimal("249.082")) > Decimal("0.005")


PINT_NAMES = {
    "Pa": "pascal", "hPa": "hectopascal", "kPa": "kilopascal", "MPa": "megapascal", "bar": "bar", "mbar": "millibar",
    "psi": "pound_force_per_square_inch", "m": "meter", "cm": "centimeter", "mm": "millimeter", "um": "micrometer",
    "in": "inch", "thou": "thou", "turn": "turn", "deg": "degree", "Nm": "newton * meter",
    "Ncm": "newton * centimeter", "inlb": "force_pound * inch", "ftlb": "force_pound * foot", "s": "second",
    "min": "minute", "L/min": "liter / minute", "inH2O": "inch * (1000 kg/m**3) * standard_gravity",
    "mmH2O": "millimeter * (1000 kg/m**3) * standard_gravity",
    "cmH2O": "centimeter * (1000 kg/m**3) * standard_gravity",
}  # fmt: skip


@pytest.mark.parametrize("quantity", [q for q in QUANTITIES if q != "temperature"])
def test_every_pair_agrees_with_pint(quantity: str) -> None:
    pint = pytest.importorskip("pint")
    registry = pint.UnitRegistry()
    for a in QUANTITIES[quantity]:
        for b in QUANTITIES[quantity]:
            theirs = (registry.Quantity(1.0, "") * registry(PINT_NAMES[a])).to(registry(PINT_NAMES[b]).units)
            theirs = theirs.magnitude / registry(PINT_NAMES[b]).to(theirs.units).magnitude
            assert float(convert(Decimal(1), a, b)) == pytest.approx(theirs, rel=1e-11), (a, b)


def test_same_unit_keeps_the_digits_as_said() -> None:
    assert str(convert(Decimal("1.10"), "mm", "mm")) == "1.10"


def test_results_are_plain_numbers_of_twelve_figures() -> None:
    assert str(convert(Decimal(9), "bar", "Pa")) == "900000"
    assert str(convert(Decimal("0.03"), "in", "mm")) == "0.762"
    assert str(convert(Decimal(1), "mm", "in")) == "0.0393700787402"


@given(
    st.decimals(min_value=-400, max_value=400, places=3),
    st.sampled_from([(a, b) for ids in QUANTITIES.values() for a in ids for b in ids]),
)
def test_there_and_back(value: Decimal, pair: tuple[str, str]) -> None:
    there = convert(value, *pair)
    assert abs(convert(there, pair[1], pair[0]) - value) <= abs(value) * Decimal("1e-11")


def test_other_quantity_and_unknown_unit_are_refused_with_what_to_do() -> None:
    with pytest.raises(UsageError, match=r"mm \(length\) cannot be converted to psi \(pressure\); use one of m, cm"):
        convert(Decimal(1), "mm", "psi")
    with pytest.raises(UsageError, match="no unit 'furlong'"):
        unit("furlong")


def test_no_two_units_are_said_the_same_way() -> None:
    forms = [form for u in UNITS.values() for form in u.forms]
    assert len(forms) == len(set(forms))
