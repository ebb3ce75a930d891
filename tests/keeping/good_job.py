"""A job with nothing left to object to, made with the real judge; a fault as received is put right."""

from __future__ import annotations

from datetime import date
from fractions import Fraction

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from capture.judge import PhotoResult
from capture.phrases import statements as s
from capture.record import Record
from capture.record.signing import Signer, sign_job
from capture.record.trust import Trust
from tests.keeping.world import moment
from tests.review.sample import JOB, Writer, check, gauge, part, reading, stage

TECHNICIAN = Signer("R. Okafor", Ed25519PrivateKey.generate())
REVIEWER = Signer("Ines Møller", Ed25519PrivateKey.generate())
TRUST = Trust({TECHNICIAN.key: TECHNICIAN.person, REVIEWER.key: REVIEWER.person})


def good_job(record: Record) -> Writer:
    """Write the whole job, not yet signed."""
    w = Writer(record)
    w.open(technician=TECHNICIAN.person, workshop="Harbour bench 2", reference="HB-1187", settings={})
    w.say((s.IdentitySaid, "serial number k seven dash zero four one two", {"field": "serial", "value": "K7-0412"}))
    w.say((s.IdentitySaid, "type l v two", {"field": "type", "value": "LV2"}))
    w.say(stage("as_received"))
    w.say(gauge("supply_gauge", "G-14", date(2031, 9, 30)))
    w.say(gauge("effort_gauge", "W-3", date(2031, 8, 31)))
    w.say(reading("supply pressure one three eight p s i", "supply_pressure", "138", "psi"))
    w.say(reading("opening effort point eight inches of water", "opening_effort", "0.8", "inH2O"))
    w.say(check("leaks at the mouthpiece", "leak", "mouthpiece"))
    w.say(stage("stripped"))
    w.say(check("case scratched", "case_condition", "scratched"), check("seat edge smooth", "seat_edge", "smooth"))
    for id_, amount in (("seat", 1), ("diaphragm", 1), ("sealing_ring", 3), ("exhaust_valve", 1), ("lock_nut", 1)):
        w.say(part(id_, "removed", amount, None))
    w.say(stage("assembled"))
    for id_, amount, lot in (
        ("seat", 1, "S118"),
        ("diaphragm", 1, "D77"),
        ("sealing_ring", 3, "R9"),
        ("exhaust_valve", 1, "E5"),
        ("lock_nut", 1, None),
        ("mouthpiece_tie", 1, None),
    ):
        w.say(part(id_, "fitted", amount, lot))
    w.say(
        check("spring pin centered", "spring_pin", "centred"), check("lever tips upright", "lever_upright", "upright")
    )
    w.say(gauge("depth_gauge", "T-20", date(2032, 1, 31)))
    w.say(reading("lever height three point zero millimetres", "lever_height", "3.0", "mm"))
    _photo(w, 2.96)
    w.say(stage("pressurised"))
    w.say(reading("supply pressure one three eight p s i", "supply_pressure", "138", "psi"))
    w.say(reading("lever height one point nine millimetres", "lever_height", "1.9", "mm"))
    _photo(w, 1.92)
    w.say(check("leaks none", "leak", "none"))
    w.say((s.TurnSaid, "orifice in a quarter turn", {"counter": "orifice", "turns": Fraction(1, 4), "direction": "in"}))
    w.say(stage("tuned"))
    w.say(reading("opening effort one point two inches of water", "opening_effort", "1.2", "inH2O"))
    w.say(reading("lever height one point six millimetres", "lever_height", "1.6", "mm"))
    w.say(stage("covered"))
    w.say(check("diaphragm seat seated", "diaphragm", "seated"), check("end cap in", "end_cap", "in"))
    w.say(reading("lever height zero point four millimetres", "lever_height", "0.4", "mm"))
    w.say(reading("opening effort one point three inches of water", "opening_effort", "1.3", "inH2O"))
    w.say(stage("repeat_check"))
    w.say(reading("supply pressure one three eight p s i", "supply_pressure", "138", "psi"))
    w.say(reading("opening effort one point three two inches of water", "opening_effort", "1.32", "inH2O"))
    w.say(check("leaks none", "leak", "none"))
    w.finish()
    return w


def signed_job(record: Record) -> str:
    """The job, signed by both persons; returns its id."""
    w = good_job(record)
    sign_job(record, JOB, "technician", TECHNICIAN, w.procedure, moment())
    sign_job(record, JOB, "reviewer", REVIEWER, w.procedure, moment())
    return JOB


def _photo(w: Writer, value: float) -> None:
    w.say((s.PhotoSaid, "photo lever side", {"view": "lever_side"}))
    w.photo(PhotoResult("lever_side", "measured", value, 0.05, measurement={"value_mm": value}))
