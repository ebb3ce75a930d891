"""What must hold between the parts of a procedure file; every breach is reported, none stops the search."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any

from capture.procedure.codes import speakable
from capture.procedure.lines import Path
from capture.procedure.schema import NEED_KINDS, Report
from capture.procedure.spoken import check_spoken
from capture.units import QUANTITIES, UNITS

Data = dict[str, Any]
_LONGEST_INTERVAL = 600
SECTION_OF_NEED = {kind: "counter" if kind == "turn" else kind for kind in NEED_KINDS}


def check(data: Data, report: Report) -> None:
    """Report every breach in ``data``, as `schema.checked` returned it (None stands for what could not be read)."""
    _Check(data, report).all()


def need_parts(text: str | None) -> tuple[str, str]:
    """A need written "kind ref" in two; both empty when it is not of that form."""
    parts = (text or "").split()
    return (parts[0], parts[1]) if len(parts) == 2 else ("", "")


class _Check:
    def __init__(self, data: Data, report: Report) -> None:
        self.data, self.report = data, report
        self.ids = {section: [item["id"] for item in data[section]] for section in _SECTIONS}

    def all(self) -> None:
        months = (self.data["procedure"] or {}).get("interval_months")
        if months is not None and not 1 <= months <= _LONGEST_INTERVAL:
            what = f"'interval_months' must be 1 to {_LONGEST_INTERVAL}; leave it out when there is none."
            self.report(("procedure", "interval_months"), what)
        self._unique_ids()
        for check_one, section in (
            (self._identity, "identity"),
            (self._instrument, "instrument"),
            (self._reading, "reading"),
            (self._counter, "counter"),
            (self._check, "check"),
            (self._part, "part"),
            (self._photo, "photo"),
            (self._stage, "stage"),
            (self._order, "order"),
            (self._role, "role"),
        ):
            for i, item in enumerate(self.data[section]):
                check_one(item, (section, i))
        self._circular_orders()
        check_spoken(self.data, self.report)

    # one id, one thing -------------------------------------------------------------------------------------------

    def _unique_ids(self) -> None:
        for section, ids in self.ids.items():
            self._unique(ids, lambda i, s=section: (s, i, "id"), f"{section} id")

    def _unique(self, values: Iterable[Any], place: Any, what: str) -> None:
        seen: set[Any] = set()
        for i, value in enumerate(values):
            if value is not None and value in seen:
                self.report(place(i), f"the {what} '{value}' is used twice; give each its own.")
            seen.add(value)

    def _known(self, ref: str | None, section: str, path: Path) -> bool:
        if ref is None:
            return False
        if ref not in self.ids[section]:
            known = ", ".join(filter(None, self.ids[section])) or "none"
            self.report(path, f"there is no {section} '{ref}'; add it or use one of: {known}.")
            return False
        return True

    def _span(self, item: Data, path: Path, low: str = "low", high: str = "high", *, one_needed: bool = True) -> None:
        a, b = item[low], item[high]
        if a is None and b is None and one_needed:
            self.report(path, f"neither '{low}' nor '{high}' is given; give at least one.")
        if a is not None and b is not None and a > b:
            self.report((*path, low), f"'{low}' {a} is above '{high}' {b}; exchange or correct them.")

    # section by section ------------------------------------------------------------------------------------------

    def _identity(self, item: Data, path: Path) -> None:
        if item["pattern"] is None:
            return
        try:
            re.compile(item["pattern"])
        except re.error as fault:
            self.report((*path, "pattern"), f"'pattern' is not a regular expression ({fault}); correct it.")
            return
        if not speakable(item["pattern"]):
            self.report((*path, "pattern"), "no code that 'pattern' matches can be spelled aloud; build it of capital "
                                            "letters, digits, dashes and slashes.")  # fmt: skip

    def _instrument(self, item: Data, path: Path) -> None:
        self._quantity(item["quantity"], path)
        self._unit(item["unit"], item["quantity"], (*path, "unit"))
        given = [key for key in ("resolution", "standard_uncertainty") if item[key] is not None]
        if not given:
            self.report(path, "'resolution' or 'standard_uncertainty' is missing; add one.")
        for key in given:
            if item[key] <= 0:
                self.report((*path, key), f"'{key}' must be above zero.")

    def _quantity(self, quantity: str | None, path: Path) -> None:
        if quantity is not None and quantity not in QUANTITIES:
            self.report((*path, "quantity"), f"there is no quantity '{quantity}'; use one of {', '.join(QUANTITIES)}.")

    def _unit(self, unit: str | None, quantity: str | None, path: Path) -> None:
        if unit is None:
            return
        accepted = QUANTITIES.get(quantity or "", ())
        if unit not in UNITS:
            self.report(path, f"there is no unit '{unit}'; use one of {', '.join(accepted or UNITS)}.")
        elif accepted and unit not in accepted:
            self.report(path, f"'{unit}' is a unit of {UNITS[unit].quantity}, not of {quantity}; "
                              f"use one of {', '.join(accepted)}.")  # fmt: skip

    def _reading(self, item: Data, path: Path) -> None:
        self._quantity(item["quantity"], path)
        for unit in item["units"] or ():
            self._unit(unit, item["quantity"], (*path, "units"))
        self._unique(item["units"] or (), lambda i: (*path, "units"), "unit")
        self._span(item, path, "plausible_low", "plausible_high")
        if (item["decimals"] or 0) > 6:
            self.report((*path, "decimals"), "'decimals' must be 6 or less.")
        if self._known(item["instrument"], "instrument", (*path, "instrument")):
            kind = self.data["instrument"][self.ids["instrument"].index(item["instrument"])]
            if None not in (kind["quantity"], item["quantity"]) and kind["quantity"] != item["quantity"]:
                self.report((*path, "instrument"), f"'{kind['id']}' measures {kind['quantity']}, the reading is a "
                                                   f"{item['quantity']}; name another instrument.")  # fmt: skip
        for i, limit in enumerate(item["limit"]):
            self._limit(item, limit, (*path, "limit", i))
        self._unique([limit["stage"] for limit in item["limit"]], lambda i: (*path, "limit", i), "limit for stage")
        for i, change in enumerate(item["change"]):
            self._change(change, (*path, "change", i))
        for i, rate in enumerate(item["rate"]):
            self._known(rate["counter"], "counter", (*path, "rate", i, "counter"))
            self._span(rate, (*path, "rate", i))
        self._unique([rate["counter"] for rate in item["rate"]], lambda i: (*path, "rate", i), "rate for counter")

    def _limit(self, reading: Data, limit: Data, path: Path) -> None:
        self._known(limit["stage"], "stage", (*path, "stage"))
        self._span(limit, path)
        low, high = reading["plausible_low"], reading["plausible_high"]
        if low is not None and high is not None and low > high:
            return  # that fault is enough
        for key in ("low", "high"):
            value = limit[key]
            if value is not None and ((low is not None and value < low) or (high is not None and value > high)):
                self.report((*path, key), f"'{key}' {value} lies outside the plausible range {low} to {high}; "
                                          "correct one of them.")  # fmt: skip

    def _change(self, change: Data, path: Path) -> None:
        known = [self._known(change[key], "stage", (*path, key)) for key in ("from", "to")]
        if all(known) and self.ids["stage"].index(change["from"]) >= self.ids["stage"].index(change["to"]):
            self.report((*path, "to"), f"stage '{change['to']}' does not come after '{change['from']}'; "
                                       "exchange or correct them.")  # fmt: skip
        self._span(change, path)

    def _counter(self, item: Data, path: Path) -> None:
        signs = {direction["sign"] for direction in item["direction"]}
        if item["direction"] and None not in signs and signs != {1, -1}:
            self.report((*path, "direction", 0),
                        "both ways of turning are needed: one direction with sign 1, one with -1.")  # fmt: skip
        for i, budget in enumerate(item["budget"]):
            self._budget(item, budget, (*path, "budget", i))
        self._unique([budget["stage"] for budget in item["budget"]], lambda i: (*path, "budget", i), "budget for stage")

    def _budget(self, counter: Data, budget: Data, path: Path) -> None:
        self._known(budget["stage"], "stage", (*path, "stage"))
        step, turns = counter["smallest_step"], budget["turns"]
        if step and turns and (turns / step).denominator != 1:
            self.report((*path, "turns"), f"'turns' {turns} is not a multiple of 'smallest_step' {step}; "
                                          "correct one of them.")  # fmt: skip
        unlock = budget["unlock"]
        if unlock is not None:
            self._known(unlock["reading"], "reading", (*path, "unlock"))
            if (unlock["below"] is None) == (unlock["above"] is None):
                self.report((*path, "unlock"), "'unlock' needs one of 'below' and 'above'; give exactly one.")

    def _check(self, item: Data, path: Path) -> None:
        answers = [answer["id"] for answer in item["answer"]]
        self._unique(answers, lambda i: (*path, "answer", i), "answer id")
        for good in item["good"] or ():
            if good not in answers:
                known = ", ".join(filter(None, answers))
                self.report((*path, "good"), f"there is no answer '{good}'; use one of {known}.")

    def _part(self, item: Data, path: Path) -> None:
        if item["quantity"] == 0:
            self.report((*path, "quantity"), "'quantity' must be 1 or more.")

    def _photo(self, item: Data, path: Path) -> None:
        if item["measures"] is None:
            return
        for key in ("reading", "rim_diameter_mm"):
            if item[key] is None:
                self.report(path, f"the key '{key}' is missing; a measured picture needs it.")
        if item["rim_diameter_mm"] is not None and item["rim_diameter_mm"] <= 0:
            self.report((*path, "rim_diameter_mm"), "'rim_diameter_mm' must be above zero.")
        if self._known(item["reading"], "reading", (*path, "reading")):
            reading = self.data["reading"][self.ids["reading"].index(item["reading"])]
            if reading["quantity"] not in (None, "length"):
                self.report((*path, "reading"), f"'{reading['id']}' is a {reading['quantity']}, but a picture measures "
                                                "a length; name another reading.")  # fmt: skip

    def _need(self, text: str | None, path: Path) -> None:
        kind, ref = need_parts(text)
        if text is None:
            return
        if kind not in NEED_KINDS:
            self.report(path, f"'{text}' is not a need; write a kind ({', '.join(NEED_KINDS)}) and an id.")
        elif not (kind == "part" and ref == "*"):
            self._known(ref, SECTION_OF_NEED[kind], path)

    def _stage(self, item: Data, path: Path) -> None:
        for need in item["needs"] or ():
            self._need(need, (*path, "needs"))
        self._unique(item["needs"] or (), lambda i: (*path, "needs"), "need")

    def _order(self, item: Data, path: Path) -> None:
        for key in ("first", "then"):
            self._need(item[key], (*path, key))

    def _circular_orders(self) -> None:
        after: dict[str, set[str]] = {}
        for i, order in enumerate(self.data["order"]):
            first, then = order["first"], order["then"]
            if first is None or then is None:
                continue
            if first == then or then in _all_before(first, after):
                self.report(("order", i), f"'{then}' would have to come before itself; remove one of the orders.")
            else:
                after.setdefault(then, set()).add(first)

    def _role(self, item: Data, path: Path) -> None:
        for other in item["differs_from"] or ():
            if self._known(other, "role", (*path, "differs_from")) and other == item["id"]:
                self.report((*path, "differs_from"), "a role cannot differ from itself; name another.")


_SECTIONS = ("identity", "instrument", "reading", "counter", "check", "part", "photo", "stage", "role")


def _all_before(thing: str, after: dict[str, set[str]]) -> Iterator[str]:
    """Everything that must come before ``thing``."""
    seen, todo = {thing}, [thing]
    while todo:
        for earlier in after.get(todo.pop(), ()):
            if earlier not in seen:
                seen.add(earlier)
                todo.append(earlier)
                yield earlier
