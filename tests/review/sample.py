"""A job made with a real procedure and the real judge; its sound and pictures are synthetic."""

from __future__ import annotations

import io
import math
import struct
import wave
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from fractions import Fraction
from typing import Any

from PIL import Image, ImageDraw

from capture.judge import Candidate, JobView, Moment, PhotoResult, Recorded, entry_to_body, finish, judge
from capture.judge.entry import Entry
from capture.phrases import statements as s
from capture.procedure import load_procedure, shipped
from capture.record import MediaRef, Record

JOB = "0197a2b0-0000-7000-8000-00000000000a"
START = datetime(2031, 5, 6, 9, 15, tzinfo=timezone(timedelta(hours=2)))


def tone(seconds: float, period: int) -> bytes:
    """A clip: a tone as 16-bit WAV at 16 kHz, its period in samples."""
    wave_ = b"".join(struct.pack("<h", int(6000 * math.sin(2 * math.pi * n / period))) for n in range(period))
    frames = int(seconds * 16000)
    out = io.BytesIO()
    with wave.open(out, "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(2)
        sound.setframerate(16000)
        sound.writeframes((wave_ * (frames // period + 1))[: 2 * frames])
    return out.getvalue()


def picture(*, annotated: bool, size: tuple[int, int] = (1200, 800)) -> bytes:
    """A drawn case with a lever; annotated: with its height as a dimension."""
    image = Image.new("RGB", size, (176, 180, 178))
    draw = ImageDraw.Draw(image)
    width, height = size
    rim = height * 0.62
    draw.rectangle((width * 0.2, rim, width * 0.8, height * 0.95), fill=(92, 97, 100))
    draw.polygon(
        [(width * 0.45, rim), (width * 0.62, rim - 120), (width * 0.65, rim - 112), (width * 0.5, rim)], (214, 200, 150)
    )
    if annotated:
        draw.line((width * 0.1, rim, width * 0.9, rim), fill=(20, 60, 70), width=4)
        draw.line((width * 0.5, rim - 120, width * 0.9, rim - 120), fill=(20, 60, 70), width=4)
        draw.line((width * 0.86, rim, width * 0.86, rim - 120), fill=(0, 0, 0), width=6)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=80)
    return out.getvalue()


class Writer:
    """Feeds statements to the judge and the entries to a record."""

    def __init__(self, record: Record, procedure_id: str = "lever_valve") -> None:
        self.record = record
        self.procedure = load_procedure(shipped()[procedure_id])
        self.recorded: list[Recorded] = []
        self.seconds = 0.0
        self.spoken = 0

    def open(self, **header: Any) -> None:
        p = self.procedure
        ref = self.record.put_media(p.text.encode(), "procedure", "application/toml")
        facts = {"id": p.id, "name": p.name, "version": p.version, "source": p.source, "digest": p.digest}
        data = {"procedure": facts, "cautions": list(p.cautions), **header}
        self._append("opened", {"kind": "opened", "data": data}, [ref])

    def say(self, *said: tuple[type[s.Said], str, dict[str, Any]], low: float = 0.97) -> list[Recorded]:
        """One utterance: (type, words, fields) for each of its statements."""
        self.seconds += 7.5
        self.spoken += 1
        clip = self.record.put_media(tone(0.8 + 0.1 * (self.spoken % 9), 40 + self.spoken), "clip", "audio/wav")
        words = " ".join(text for _, text, _ in said).split()
        doubts = ("The word fifteen may also be fifty.",) if low < 0.6 else ()
        heard = {
            "text": " ".join(words),
            "engine": "synthetic",
            "words": [
                {
                    "text": word,
                    "start_s": n / 3,
                    "end_s": n / 3 + 0.3,
                    "confidence": low if n == len(words) - 2 else 0.98,
                }
                for n, word in enumerate(words)
            ],
            "doubts": list(doubts),
        }
        done: list[Recorded] = []
        first = 0
        for kind, text, fields in said:
            span = (first, first + len(text.split()))
            first = span[1]
            statement = kind(words=text, span=span, **fields)
            candidate = Candidate(statement=statement, doubts=doubts, confidence=low, person="R. Okafor")
            done += self._judged(candidate, [clip], {"heard": heard})
        return done

    def photo(self, result: PhotoResult) -> list[Recorded]:
        self.seconds += 4
        media = [self.record.put_media(picture(annotated=False), "photo", "image/jpeg")]
        media.append(self.record.put_media(picture(annotated=True), "overlay", "image/jpeg"))
        return self._judged(Candidate(photo=result), media, {})

    def finish(self) -> None:
        self.seconds += 5
        view = JobView.of(self.recorded, self.procedure)
        self._store(finish(self.procedure, view, self._moment()), [], {})

    def _judged(self, candidate: Candidate, media: list[MediaRef], more: dict[str, Any]) -> list[Recorded]:
        view = JobView.of(self.recorded, self.procedure)
        return self._store(judge(self.procedure, view, candidate, self._moment()), media, more)

    def _store(self, entries: Iterable[Entry], media: list[MediaRef], more: dict[str, Any]) -> list[Recorded]:
        done = []
        for entry in entries:
            row_id = self._append(entry.kind, {**entry_to_body(entry), **more}, media)
            done.append(Recorded(row_id, entry, self._moment()))
        self.recorded += done
        return done

    def _append(self, kind: str, body: dict[str, Any], media: list[MediaRef]) -> str:
        moment = self._moment()
        return self.record.append(
            job=JOB, kind=kind, body=body, at=moment.at, mono=moment.mono, session="s-1", media=media
        ).id

    def _moment(self) -> Moment:
        return Moment(START + timedelta(seconds=self.seconds), self.seconds)


def reading(words: str, field: str, value: str, unit: str, **more: Any) -> tuple[type[s.Said], str, dict[str, Any]]:
    """A spoken reading."""
    return s.ReadingSaid, words, {"field": field, "value": Decimal(value), "unit": unit, **more}


def stage(name: str) -> tuple[type[s.Said], str, dict[str, Any]]:
    """A stage that begins."""
    return s.StageSaid, name.replace("_", " "), {"stage": name}


def check(words: str, check_id: str, answer: str) -> tuple[type[s.Said], str, dict[str, Any]]:
    """An answered check."""
    return s.CheckSaid, words, {"check": check_id, "answer": answer}


def part(part_id: str, action: str, quantity: int, lot: str | None) -> tuple[type[s.Said], str, dict[str, Any]]:
    """Parts fitted or removed."""
    words = f"{part_id.replace('_', ' ')} {quantity} {action}" + (f" lot {lot}" if lot else "")
    return s.PartSaid, words, {"part": part_id, "action": action, "quantity": quantity, "lot": lot}


def gauge(kind: str, serial: str, due: date | None) -> tuple[type[s.Said], str, dict[str, Any]]:
    """A gauge taken into use."""
    return s.InstrumentSaid, f"{kind.replace('_', ' ')} {serial}", {"kind": kind, "serial": serial, "due": due}


def component(source: str, value: float, unit: str, u: float, sensitivity: float, dof: float | None = None) -> Any:
    """A row of an uncertainty budget, with the keys that the measurement gives it."""
    return {
        "source": source,
        "value": value,
        "unit": unit,
        "u": u,
        "sensitivity_mm_per_unit": sensitivity,
        "contribution_mm": round(abs(sensitivity) * u, 6),
        "dof": dof,
    }


BUDGET = [
    component("edge of the rim", 412.3, "px", 0.26, 0.0415, 41),
    component("lever tip", 341.9, "px", 0.35, 0.0415, 18),
    component("depth of the target", 0.0, "mm", 0.5, -0.021),
    component("print scale", 1.0, "1", 0.002, 2.96),
]


def sample_job(record: Record) -> str:
    """Write the whole job; returns its id."""
    w = Writer(record)
    w.open(technician="R. Okafor", workshop="Harbour bench 2", reference="HB-1187", settings={"model": "synthetic"})
    w.say((s.IdentitySaid, "serial number k seven dash zero four one two", {"field": "serial", "value": "K7-0412"}))
    w.say((s.IdentitySaid, "type l v two", {"field": "type", "value": "LV2"}))
    w.say(stage("as_received"))
    w.say(gauge("supply_gauge", "G-14", date(2031, 9, 30)))
    w.say(gauge("effort_gauge", "W-3", date(2031, 4, 30)))
    w.say(reading("supply pressure one three eight p s i", "supply_pressure", "138", "psi"))
    w.say(reading("opening effort two point one inches of water", "opening_effort", "2.1", "inH2O"))
    w.say(check("leaks none", "leak", "none"), check("hose chafed", "hose", "chafed"))
    w.say((s.NoteSaid, "note salt under the cover", {"text": "salt under the cover"}))
    w.say(stage("stripped"))
    w.say(check("case scratched", "case_condition", "scratched"), check("seat edge smooth", "seat_edge", "smooth"))
    for id_, amount in (("seat", 1), ("diaphragm", 1), ("sealing_ring", 3), ("exhaust_valve", 1), ("lock_nut", 1)):
        w.say(part(id_, "removed", amount, None))
    w.say((s.NotUnderstood, "the kettle is on", {"sentence": "These words fit nothing; say it another way."}))
    w.say(stage("assembled"))
    for id_, amount, lot in (
        ("seat", 1, "S118"),
        ("diaphragm", 1, "D77"),
        ("sealing_ring", 2, "R9"),
        ("lock_nut", 1, None),
    ):
        w.say(part(id_, "fitted", amount, lot))
    w.say(part("exhaust_valve", "fitted", 1, "E5"), part("mouthpiece_tie", "fitted", 1, None))
    w.say(
        check("spring pin centered", "spring_pin", "centred"), check("lever tips upright", "lever_upright", "upright")
    )
    w.say(gauge("depth_gauge", "T-20", date(2032, 1, 31)))
    w.say(reading("lever height three point zero millimetres", "lever_height", "3.0", "mm"))
    w.say((s.PhotoSaid, "photo lever side", {"view": "lever_side"}))
    measurement = {
        "value_mm": 2.962,
        "expanded_mm": 0.042,
        "tilt_deg": 0.4,
        "k": 2,
        "pose": {"distance_mm": 285.4},
        "budget": BUDGET,
    }
    w.photo(PhotoResult("lever_side", "measured", 2.962, 0.042, measurement=measurement))
    w.say(stage("pressurised"))
    w.say(reading("supply pressure one five zero p s i", "supply_pressure", "150", "psi"), low=0.41)
    w.say(
        (
            s.CorrectionSaid,
            "correction supply pressure one three five p s i",
            {
                "statement": s.ReadingSaid(
                    words="supply pressure one three five p s i",
                    span=(1, 9),
                    field="supply_pressure",
                    value=Decimal(135),
                    unit="psi",
                )
            },
        )
    )
    w.say(reading("lever height one point nine", "lever_height", "1.9", "mm", unit_assumed=True))
    w.say((s.PhotoSaid, "photo lever side", {"view": "lever_side"}))
    w.photo(
        PhotoResult(
            "lever_side",
            "refused",
            reason="blurred",
            sentence="The lever tip is blurred; hold still and take it again.",
            measurement={"reason": "blurred"},
        )
    )
    w.say((s.PhotoSaid, "photo lever side", {"view": "lever_side"}))
    w.photo(
        PhotoResult(
            "lever_side",
            "measured",
            1.42,
            0.05,
            flags=(("oblique", "Seen 9 degrees from above."),),
            measurement={**measurement, "value_mm": 1.42},
        )
    )
    w.say(check("leaks none", "leak", "none"))
    w.say((s.TurnSaid, "orifice in a quarter turn", {"counter": "orifice", "turns": Fraction(1, 4), "direction": "in"}))
    w.say(stage("tuned"))
    w.say(reading("opening effort point nine inches of water", "opening_effort", "0.9", "inH2O"))
    w.say((s.TurnSaid, "orifice in a twelfth", {"counter": "orifice", "turns": Fraction(1, 12), "direction": "in"}))
    w.say(reading("opening effort one point one inches of water", "opening_effort", "1.1", "inH2O"))
    w.say(
        (
            s.Refused,
            "opening effort five millimetres",
            {
                "reason": "wrong_unit",
                "field": "opening_effort",
                "sentence": "Opening effort cannot be in millimetres; say it in inches of water.",
            },
        )
    )
    w.say((s.TurnSaid, "spring in half a turn", {"counter": "spring", "turns": Fraction(1, 2), "direction": "in"}))
    w.say(reading("lever height one point six millimetres", "lever_height", "1.6", "mm"))
    w.say((s.CommandSaid, "read back", {"command": "read_back"}))
    w.say(stage("covered"))
    w.say(check("diaphragm seat seated", "diaphragm", "seated"), check("end cap in", "end_cap", "in"))
    w.say(reading("lever height zero point four millimetres", "lever_height", "0.4", "mm"))
    w.say(reading("opening effort one point three inches of water", "opening_effort", "1.3", "inH2O"))
    w.say((s.NoteSaid, "note wrong label", {"text": "wrong label"}))
    w.say((s.CommandSaid, "disregard", {"command": "disregard"}))
    w.say(stage("repeat_check"))
    w.say(reading("supply pressure one three six p s i", "supply_pressure", "136", "psi"))
    w.say(reading("opening effort one point three two inches of water", "opening_effort", "1.32", "inH2O"))
    w.say(check("leaks none", "leak", "none"))
    w.say((s.SignOffSaid, "sign off technician", {"role": "technician"}))
    w.finish()
    return JOB


def utc(hour: int) -> datetime:
    """A moment for hand-made rows."""
    return datetime(2031, 5, 6, hour, tzinfo=UTC)
