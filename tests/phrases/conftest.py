"""The shipped procedures, and one that is said in odd ways."""

from __future__ import annotations

import pytest

from capture.procedure import Procedure, load_procedure, parse_procedure, shipped

ODD = """
[procedure]
id = "odd"
name = "Odd names"
version = "1"
source = "invented"
cautions = ["Invented."]

[[identity]]
id = "tag"
name = "Tag"
spoken = ["tag"]
pattern = "O[A-Z][0-9]"

[[stage]]
id = "only"
name = "Only stage"
spoken = ["only"]

[[reading]]
id = "gap"
name = "Gap"
spoken = ["o ring gap", "gap"]
quantity = "length"
units = ["thou", "mm", "in"]
plausible_low = 1
plausible_high = 200
decimals = 0

[[reading]]
id = "warmth"
name = "Warmth"
spoken = ["water warmth"]
quantity = "temperature"
units = ["degC"]
plausible_low = -5
plausible_high = 40
decimals = 1

[[part]]
id = "ring"
name = "Ring"
spoken = ["o ring", "o rings"]
quantity = 2

[[part]]
id = "clip"
name = "Clip"
spoken = ["c clip"]

[[photo]]
id = "front"
name = "Front"
spoken = ["front"]
"""


@pytest.fixture(scope="session")
def valve() -> Procedure:
    return load_procedure(shipped()["lever_valve"])


@pytest.fixture(scope="session")
def reducer() -> Procedure:
    return load_procedure(shipped()["pressure_reducer"])


@pytest.fixture(scope="session")
def odd() -> Procedure:
    return parse_procedure(ODD, "odd.toml")


@pytest.fixture(scope="session", params=["lever_valve", "pressure_reducer", "odd"])
def procedure(request: pytest.FixtureRequest) -> Procedure:
    if request.param == "odd":
        return parse_procedure(ODD, "odd.toml")
    return load_procedure(shipped()[request.param])
