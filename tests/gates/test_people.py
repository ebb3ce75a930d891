"""Logins: who has one, how passphrases are kept, and that every change holds at once."""

from __future__ import annotations

import json
import stat
from pathlib import Path

import pytest
from click.testing import CliRunner

from capture.bench.gate import passphrase as kept
from capture.bench.gate.passphrase import check_new, fits, hashed
from capture.bench.gate.people import People, write_private
from capture.bench.gate.throttle import FORGET_S, LONGEST_S, Throttle
from capture.bench.gate.visitors import IDLE, LIFE, Visitors, write_secret
from capture.commands.people import command
from capture.errors import EnvironmentFault, UsageError
from tests.gates.conftest import PASSPHRASE

OTHER = "nine lanterns by the quay"


class Clock:
    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def people(tmp_path: Path) -> People:
    made = People(tmp_path / "own" / "people.json")
    made.add("Rhea  Okoro", ["technician"], PASSPHRASE)
    return made


# RFC 7914, section 12: scrypt("pleaseletmein", "SodiumChloride", N 16384, r 8, p 1), its first 32 bytes.
VECTOR = "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"


def test_the_hash_is_the_scrypt_of_rfc_7914() -> None:
    made = kept._scrypt("pleaseletmein", b"SodiumChloride", 14, 8, 1)
    assert made.hex() == VECTOR


def test_a_passphrase_is_kept_as_a_costly_hash_with_its_own_salt() -> None:
    one = hashed(PASSPHRASE)
    assert PASSPHRASE not in one
    kind, log2_n, r, p = one.split("$")[:4]
    # 32 MiB and three passes; OWASP's cheat sheet names N 2^15, r 8, p 3 among equals (from memory).
    assert (kind, int(log2_n), int(r), int(p)) == ("scrypt", 15, 8, 3)
    assert fits(PASSPHRASE, one)


def test_only_the_passphrase_itself_fits() -> None:
    one, two = hashed(PASSPHRASE), hashed(PASSPHRASE)
    assert one != two
    assert fits(PASSPHRASE, two)
    assert not fits(PASSPHRASE + " ", one)
    assert not fits(PASSPHRASE, None)


@pytest.mark.parametrize(
    "line", ["", "plain", "scrypt$x$8$3$AA==$AA==", "scrypt$10$8$1$???$AA==", "md5$10$8$1$AA==$AA==", "$" * 9]
)
def test_a_spoilt_hash_lets_nobody_in(line: str) -> None:
    assert not fits(PASSPHRASE, line)


@pytest.mark.parametrize(
    "bad", ["", "short", "elevenchars", "aaaaaaaaaaaaaaaaaaaa", "Rhea Okoro Rhea Okoro", "x" * 201, "rheaokoro123"]
)
def test_easy_passphrases_are_refused_with_a_sentence(bad: str) -> None:
    with pytest.raises(UsageError, match=r"passphrase .*;"):
        check_new(bad, "Rhea Okoro")


def test_people_are_found_by_name_whatever_its_case(people: People) -> None:
    found = people.check("rhea okoro", PASSPHRASE)
    assert found is not None
    assert (found.name, found.roles) == ("Rhea Okoro", ("technician",))
    assert people.check("Rhea Okoro", OTHER) is None
    assert people.check("Nobody", PASSPHRASE) is None
    with pytest.raises(UsageError, match="has a login already"):
        people.add("RHEA OKORO", ["reader"], PASSPHRASE)


def test_the_file_is_its_owner_s_alone_and_holds_no_passphrase(people: People) -> None:
    assert stat.S_IMODE(people.path.stat().st_mode) == 0o600
    assert stat.S_IMODE(people.path.parent.stat().st_mode) == 0o700
    assert PASSPHRASE not in people.path.read_text("utf-8")
    assert [path.name for path in people.path.parent.iterdir()] == ["people.json"]


def test_a_removed_person_cannot_come_in_but_keeps_the_name(people: People) -> None:
    people.remove("Rhea Okoro")
    assert people.check("Rhea Okoro", PASSPHRASE) is None
    (listed,) = people.everybody()
    assert (listed.name, listed.roles, listed.kept) == ("Rhea Okoro", (), None)
    assert listed.removed is not None
    with pytest.raises(UsageError, match="has no login"):
        people.set_roles("Rhea Okoro", ["reader"])
    people.add("Rhea Okoro", ["reader"], OTHER)
    assert len(people.everybody()) == 1


@pytest.mark.parametrize(
    ("name", "roles", "sentence"),
    [
        ("", ["reader"], "needs a person's name"),
        ("a\nb\x07", ["reader"], "needs a person's name"),
        ("x" * 101, ["reader"], "needs a person's name"),
        ("Tom", [], "needs a role"),
        ("Tom", ["owner"], "no role 'owner'"),
    ],
)
def test_what_cannot_be_a_login_is_refused(people: People, name: str, roles: list[str], sentence: str) -> None:
    with pytest.raises(UsageError, match=sentence):
        people.add(name, roles, PASSPHRASE)


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"version": 2, "people": []}', '{"version": 1, "people": [{"name": "x"}]}', "\x00"]
)
def test_a_spoilt_file_lets_nobody_in_and_says_so(people: People, text: str) -> None:
    visitors = Visitors(people)
    token = visitors.begin("login", "Rhea Okoro")
    people.path.write_text(text, "utf-8")
    with pytest.raises(UsageError, match=r"people\.json"):
        people.everybody()
    assert visitors.of(token) is None


def test_a_file_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", "utf-8")
    with pytest.raises(EnvironmentFault, match="cannot be written"):
        write_private(tmp_path / "file" / "people.json", b"")


def test_changes_hold_at_once_for_open_sessions(people: People) -> None:
    visitors = Visitors(people)

    def roles(token: str) -> set[str] | None:
        found = visitors.of(token)
        return None if found is None else set(found.roles)

    token = visitors.begin("login", "Rhea Okoro")
    assert roles(token) == {"technician"}
    people.set_roles("Rhea Okoro", ["reader"])
    assert roles(token) == {"reader"}
    people.set_passphrase("Rhea Okoro", OTHER)
    assert roles(token) is None
    token = visitors.begin("login", "Rhea Okoro")
    people.remove("Rhea Okoro")
    assert roles(token) is None


@pytest.mark.parametrize("via", LIFE)
def test_a_session_ends_when_nothing_is_heard_of_it_and_in_any_case(people: People, via: str) -> None:
    clock = Clock()
    visitors = Visitors(people, clock=clock)
    token = visitors.begin(via, "Rhea Okoro", "job")  # type: ignore[arg-type]
    clock.now += IDLE[via] - 1  # type: ignore[index]
    assert visitors.of(token)
    clock.now += IDLE[via] + 1  # type: ignore[index]
    assert visitors.of(token) is None
    token = visitors.begin(via, "Rhea Okoro", "job")  # type: ignore[arg-type]
    end = clock.now + LIFE[via]  # type: ignore[index]
    while clock.now < end:
        assert visitors.of(token)
        clock.now += IDLE[via] / 2  # type: ignore[index]
    clock.now += 1
    assert visitors.of(token) is None


def test_sessions_outlive_a_start_and_are_kept_as_hashes(people: People, tmp_path: Path) -> None:
    path = tmp_path / "sessions.json"
    first = Visitors(people, path)
    token, gone = first.begin("local"), first.begin("login", "Rhea Okoro")
    first.end(token=gone)
    again = Visitors(people, path)
    found = again.of(token)
    assert found is not None
    assert found.write == write_secret(token)
    assert again.of(gone) is None
    text = path.read_text("utf-8")
    assert token not in text
    assert write_secret(token) not in text
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    for spoilt in ("", "[]", '{"a": 1}', '{"a": {"via": "local"}}'):
        path.write_text(spoilt, "utf-8")
        assert Visitors(people, path).of(token) is None


def test_there_is_an_end_to_how_many_sessions_are_kept(people: People, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("capture.bench.gate.visitors._MOST", 20)
    visitors = Visitors(people)
    tokens = [visitors.begin("local") for _ in range(25)]
    assert len(visitors._kept) == 20
    assert visitors.of(tokens[-1])
    assert visitors.of(tokens[0]) is None


def test_guessing_becomes_slow_and_is_forgiven() -> None:
    clock = Clock()
    throttle = Throttle(clock)
    for _ in range(5):
        assert throttle.begin({"key": 5}) == 0
    waits = []
    for _ in range(12):
        waits.append(throttle.begin({"key": 5}))
        assert throttle.begin({"key": 5}) == waits[-1], "waiting costs nothing"
        clock.now += waits[-1]
        assert throttle.begin({"key": 5}) == 0
    assert waits == [min(LONGEST_S, 2.0**n) for n in range(12)]
    clock.now += FORGET_S
    assert throttle.begin({"key": 5}) == 0
    throttle.passed("key")
    assert throttle.begin({"other": 5, "key": 5}) == 0


def test_the_throttle_s_memory_has_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("capture.bench.gate.throttle._MOST", 50)
    clock = Clock()
    throttle = Throttle(clock)
    for number in range(200):
        clock.now += 0.1
        throttle.begin({number: 1, "same": 10_000})
    assert len(throttle._tries) <= 50
    assert throttle.begin({"same": 10}) > 0


def test_the_command_manages_people(tmp_path: Path) -> None:
    path, word = tmp_path / "people.json", tmp_path / "word"
    word.write_text(PASSPHRASE + "\n", "utf-8")

    def run(*arguments: str) -> str:
        done = CliRunner().invoke(
            command, [*arguments, "--people", str(path)], catch_exceptions=False, standalone_mode=False
        )
        return done.output

    assert "nobody yet" in run("list")
    assert (
        run("add", "Ines Falk", "--role", "reviewer", "--role", "technician", "--passphrase-file", str(word))
        == "Ines Falk\ttechnician, reviewer\n"
    )
    assert run("role", "ines falk", "--role", "reader") == "Ines Falk\treader\n"
    word.write_text(OTHER + "\n", "utf-8")
    run("passphrase", "Ines Falk", "--passphrase-file", str(word))
    assert People(path).check("Ines Falk", OTHER) is not None
    assert "records keep the name" in run("remove", "Ines Falk")
    assert json.loads(run("list", "--json")) == []
    assert "removed" in run("list", "--all")
