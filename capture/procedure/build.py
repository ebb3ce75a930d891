"""From checked data to the frozen types of `capture.procedure.model`."""

from __future__ import annotations

from types import MappingProxyType
from typing import Any

from capture.procedure import model
from capture.procedure.check import need_parts

Data = dict[str, Any]


def build(data: Data, *, digest: str, text: str) -> model.Procedure:
    """The procedure in ``data``, which must be free of faults."""
    head = data["procedure"]
    source = head["source"]
    return model.Procedure(
        id=head["id"],
        name=head["name"],
        version=head["version"],
        source=source,
        cautions=head["cautions"],
        stages=tuple(_stage(item) for item in data["stage"]),
        identities=tuple(model.Identity(**item) for item in data["identity"]),
        instruments=tuple(model.Instrument(**item) for item in data["instrument"]),
        readings=tuple(_reading(item, source) for item in data["reading"]),
        counters=tuple(_counter(item, source) for item in data["counter"]),
        checks=tuple(_check(item) for item in data["check"]),
        parts=tuple(model.Part(**item) for item in data["part"]),
        photos=tuple(model.PhotoView(**item) for item in data["photo"]),
        orders=tuple(
            model.Order(_need(item["first"]), _need(item["then"]), item["sentence"]) for item in data["order"]
        ),
        roles=tuple(model.Role(**item) for item in data["role"]),
        pronunciations=MappingProxyType(dict(data["pronunciations"])),
        digest=digest,
        text=text,
        interval_months=head["interval_months"],
        wake=head["wake"],
    )


def _need(text: str) -> model.Need:
    kind, ref = need_parts(text)
    return model.Need(kind, ref)  # type: ignore[arg-type]  # checked against NEED_KINDS


def _stage(item: Data) -> model.Stage:
    return model.Stage(item["id"], item["name"], item["spoken"], tuple(_need(need) for need in item["needs"]))


def _reading(item: Data, source: str) -> model.Reading:
    plain = {key: value for key, value in item.items() if key not in ("limit", "change", "rate")}
    return model.Reading(
        **plain,
        limits=tuple(model.Limit(**_sourced(limit, source)) for limit in item["limit"]),
        changes=tuple(_change(_sourced(change, source)) for change in item["change"]),
        rates=tuple(model.Rate(**_sourced(rate, source)) for rate in item["rate"]),
    )


def _change(item: Data) -> model.Change:
    return model.Change(item["from"], item["to"], item["low"], item["high"], item["source"], item["repeat"])


def _sourced(item: Data, source: str) -> Data:
    """``item`` with the procedure's source where it names none of its own."""
    return item | {"source": item["source"] or source}


def _counter(item: Data, source: str) -> model.Counter:
    return model.Counter(
        id=item["id"],
        name=item["name"],
        spoken=item["spoken"],
        directions=tuple(model.Direction(**direction) for direction in item["direction"]),
        smallest_step=item["smallest_step"],
        budgets=tuple(_budget(_sourced(budget, source)) for budget in item["budget"]),
    )


def _budget(item: Data) -> model.Budget:
    unlock = None if item["unlock"] is None else model.Unlock(**item["unlock"])
    return model.Budget(item["stage"], item["turns"], item["moves"], unlock, item["source"])


def _check(item: Data) -> model.Check:
    answers = tuple(model.Answer(**answer) for answer in item["answer"])
    return model.Check(item["id"], item["name"], item["spoken"], answers, item["good"])
