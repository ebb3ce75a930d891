"""Whose key is it? The list of keys that were compared with their owners, and who is named as unknown."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from nacl.exceptions import BadSignatureError
from nacl.signing import SigningKey, VerifyKey

from capture.commands import import_, key, sign, verify
from capture.errors import UsageError
from capture.record import Record
from capture.record.bag import export_bag
from capture.record.keys import key_id, new_key, readable
from capture.record.signing import SIGN_OFF, Signer, holds, message, seal, sign_job
from capture.record.trust import NAME, distrust, trust, trusted
from tests.keeping.world import LEVER, moment, usual_job

KEY = "ab" * 32


def run(command: Any, *arguments: object) -> Any:
    told = CliRunner().invoke(command, [str(argument) for argument in arguments], standalone_mode=False)
    if told.exception is not None:
        raise told.exception
    return told


def test_signatures_agree_with_another_library() -> None:
    """Reference: PyNaCl (libsodium), an implementation of RFC 8032 that shares no code with the one used here."""
    for number in range(50):
        seed = bytes([number]) * 31 + b"\x07"
        private, reference = Ed25519PrivateKey.from_private_bytes(seed), SigningKey(seed)
        signer = Signer("Ada Brook", private)
        assert signer.raw == bytes(reference.verify_key)
        statement = {"job": f"J-{number}", "rows": number, "person": "Ada Brœk ✓"}
        sealed = seal(signer, SIGN_OFF, statement)
        signed = message(SIGN_OFF, statement)
        assert private.sign(signed) == reference.sign(signed).signature
        assert holds(signer.raw, SIGN_OFF, sealed)
        with pytest.raises(BadSignatureError):
            VerifyKey(signer.raw).verify(signed + b" ", reference.sign(signed).signature)


def test_a_key_is_listed_as_one_persons_and_taken_off_again(tmp_path: Path) -> None:
    assert trusted(tmp_path).doubt(KEY, "Ada Brook") is not None
    assert trust(tmp_path, readable(KEY).upper(), "  Ada   Brook ") == KEY
    known = trusted(tmp_path)
    assert known.doubt(KEY, "ada brook") is None
    assert "that of Ada Brook" in (known.doubt(KEY, "Ben Carr") or "")
    trust(tmp_path, KEY, "Ada Brook")
    assert (tmp_path / NAME).read_text("utf-8").count(KEY) == 1
    with pytest.raises(UsageError, match="listed as that of Ada Brook"):
        trust(tmp_path, KEY, "Ben Carr")
    assert distrust(tmp_path, KEY) == "Ada Brook"
    assert trusted(tmp_path).doubt(KEY, "Ada Brook") is not None
    with pytest.raises(UsageError, match="not on the list"):
        distrust(tmp_path, KEY)
    assert [path.name for path in tmp_path.iterdir()] == [NAME]


@pytest.mark.parametrize(("id_", "person"), [("ab" * 31, "Ada"), ("zz" * 32, "Ada"), (KEY, "  "), (KEY, "A\x07da")])
def test_what_cannot_be_listed(tmp_path: Path, id_: str, person: str) -> None:
    with pytest.raises(UsageError):
        trust(tmp_path, id_, person)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("line", ["nonsense", KEY, f"{KEY[:-1]} Ada", f"{KEY.upper()} Ada"])
def test_a_line_that_cannot_be_read_is_named_not_passed_over(tmp_path: Path, line: str) -> None:
    (tmp_path / NAME).write_text(f"# first\n\n{line}\n")
    with pytest.raises(UsageError, match="line 3"):
        trusted(tmp_path)


def test_a_public_key_alone_is_not_trusted(tmp_path: Path) -> None:
    """A .pub file may come from anywhere; the private half lies there only for one's own keys."""
    mine = new_key(tmp_path, "Ada Brook", "three plain words")
    mine.private.unlink()
    assert trusted(tmp_path).doubt(mine.id, "Ada Brook") is not None


def test_a_strangers_own_key_in_a_bag_is_named_as_unknown(
    record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keys, other = tmp_path / "keys", tmp_path / "other"
    monkeypatch.setenv("BENCHWITNESS_KEYS", str(keys))
    known = Signer("Ada Brook", Ed25519PrivateKey.generate())
    stranger = Signer("Ben Carr", Ed25519PrivateKey.generate())
    job = usual_job(record)
    sign_job(record, job.id, "technician", known, LEVER, moment())
    sign_job(record, job.id, "reviewer", stranger, LEVER, moment())
    export_bag(record, [job.id], tmp_path / "bag", at="2031-06-01T12:00:00Z")
    told = run(key.command, "trust", known.key, "--person", "Ada Brook")
    assert readable(known.key) in told.stdout
    for arguments in ([tmp_path / "bag", "--check"], [tmp_path / "bag", "--record", other]):
        told = run(import_.command, *arguments)
        assert told.return_value == 1
        assert told.stderr.count("the key is unknown here") == 1
        assert f"signed as Ben Carr with key {readable(stranger.key)}" in told.stderr
    told = run(verify.command, other)
    assert told.return_value == 0, "an unknown key is no fault of the record"
    assert f"key     signed as Ben Carr with key {readable(stranger.key)}: the key is unknown here" in told.stdout
    assert readable(known.key) not in told.stdout
    told = run(sign.command, job.id, "--show", "--record", other)
    assert "the key is unknown here" in told.stderr
    assert told.return_value == 1
    run(key.command, "trust", stranger.key, "--person", "Ben Carr")
    assert "unknown" not in run(verify.command, other).stdout
    listed = run(key.command, "list", "--json").stdout
    assert stranger.key in listed
    run(key.command, "distrust", stranger.key)
    assert "unknown" in run(verify.command, other).stdout
    assert key_id(stranger.raw) == stranger.key
