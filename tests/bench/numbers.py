"""Every number, in every way of saying it: ``python -m tests.bench.numbers`` prints how many come back exactly.

Integers 0 to 9999 and values 0 to 400 with up to three decimals, as ``unicode-rbnf`` (Unicode CLDR) speaks them, with
"and", digit by digit, in pairs; and as the second reader ``text2num`` reads them. Exact means that the digits come back
too: "one point one zero" is 1.10. (The speller says 5.0 as "five"; there the value counts.)
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterable, Iterator
from decimal import Decimal

from capture.phrases.number import FORMS, parse_number
from tests.phrases import spoken_numbers as spoken

Case = tuple[str, Decimal]


def integers() -> Iterator[Decimal]:
    return (Decimal(value) for value in range(10000))


def said(values: Iterable[Decimal], way: Callable[[Decimal], str | None]) -> Iterator[Case]:
    return ((words, value) for value in values if (words := way(value)) is not None)


def sets() -> Iterator[tuple[str, Iterator[Case]]]:
    rbnf = spoken.Rbnf()
    for name, values in (("integers 0..9999", integers), ("0..400, up to 3 decimals", spoken.decimals)):
        yield f"{name}: unicode-rbnf", said(values(), rbnf.words)
        yield f"{name}: with 'and'", said(values(), lambda v: spoken.with_and(rbnf.words(v)))
        yield f"{name}: digits", said(values(), spoken.digit_by_digit)
        yield (
            f"{name}: digits, oh, decimal",
            said(values(), lambda v: spoken.digit_by_digit(v, zero="oh", point="decimal")),
        )
    yield "integers 0..9999: pairs", said(integers(), lambda v: spoken.pair(int(v)))
    yield (
        "point first, 0.0..0.999",
        said(
            (v for v in spoken.decimals() if 0 <= v < 1 and "." in str(v)),
            lambda v: spoken.digit_by_digit(v).removeprefix("zero "),
        ),
    )
    yield "minus, unicode-rbnf", said(integers(), lambda v: f"minus {rbnf.words(v)}")
    yield "other forms", ((words, Decimal(value)) for words, value in FORMS)


def second_reader(limit: int) -> tuple[int, int]:
    """How many integers ``text2num`` and we read alike, and how many it cannot read."""
    from text_to_num import text2num

    rbnf, alike, unreadable = spoken.Rbnf(), 0, 0
    for value in range(limit):
        words = rbnf.words(Decimal(value))
        try:
            alike += Decimal(text2num(words, "en")) == parse_number(words)
        except ValueError:
            unreadable += 1
    return alike, unreadable


def main() -> int:
    print(f"{'set':44} {'said':>8} {'exact':>8} {'wrong':>6} {'refused':>8} {'s':>6}")
    bad = 0
    for name, cases in sets():
        start, count, exact, wrong = time.perf_counter(), 0, 0, 0
        for words, value in cases:
            count += 1
            got = parse_number(words)
            want = -abs(value) if words.startswith("minus ") else value
            if got == want and (spoken.without_point(words) or str(got) == str(want)):
                exact += 1
            elif got is not None:
                wrong += 1
        bad += count - exact
        refused = count - exact - wrong
        print(f"{name:44} {count:8} {exact:8} {wrong:6} {refused:8} {time.perf_counter() - start:6.1f}", flush=True)
    alike, unreadable = second_reader(10000)
    print(f"text2num: {alike} of 10000 integers read alike, {unreadable} it cannot read")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
