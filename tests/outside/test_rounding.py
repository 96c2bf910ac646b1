"""The one rounding rule against an outside reference: Python's decimal arithmetic, exact to the last digit.

That value and uncertainty end at the same decimal place is what JCGM 100:2008 (GUM) 7.2.6 asks for; from memory.
"""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal

from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.show import words


@settings(max_examples=300, deadline=None)
@given(st.floats(-1e6, 1e6), st.floats(-5.0, 4.0))
def test_value_and_uncertainty_end_at_the_same_place_as_decimal_rounds_them(value: float, size: float) -> None:
    uncertainty = 10.0**size
    if uncertainty < max(abs(value) * 1e-6, 1e-7):
        return  # shown without it
    said = words.number(value, uncertainty)
    shown, doubt = (Decimal(part) for part in said.split(" ± "))
    digits = 2 if f"{uncertainty:e}"[0] == "1" else 1
    rounded = Decimal(f"{Decimal(uncertainty):.{digits - 1}e}")
    assert doubt == rounded
    place = Decimal(1).scaleb(rounded.as_tuple().exponent if isinstance(rounded.as_tuple().exponent, int) else 0)
    nearest = Decimal(value).quantize(place, rounding=ROUND_HALF_EVEN)
    assert abs(shown - Decimal(value)) <= abs(nearest - Decimal(value)) + place * Decimal("1e-6")
    assert shown == shown.quantize(place), "no digit beyond the uncertainty's"
