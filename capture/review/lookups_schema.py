"""The tables of the look-up index: a shortened copy of the ledger that can be thrown away and made again.

Nothing here is proof of anything. ``gone`` is 1 for an entry that was replaced, withdrawn or not accepted, so that it
does not stand; ``at_s`` is the time in seconds since 1970, UTC.
"""

from __future__ import annotations

VERSION = 5
"""Another version of the tables makes an index be rebuilt."""

SCHEMA = """
CREATE TABLE state (version INTEGER NOT NULL, seq INTEGER NOT NULL, hash TEXT NOT NULL);

CREATE TABLE job (
  job TEXT PRIMARY KEY, first_seq INTEGER NOT NULL, procedure TEXT, procedure_name TEXT, version TEXT,
  technician TEXT, person TEXT, workshop TEXT, reference TEXT, unit TEXT, opened TEXT NOT NULL, opened_s REAL NOT NULL,
  last TEXT NOT NULL, ended INTEGER NOT NULL DEFAULT 0, entries INTEGER NOT NULL DEFAULT 0,
  signed INTEGER NOT NULL DEFAULT 0, failed INTEGER NOT NULL DEFAULT 0, undecided INTEGER NOT NULL DEFAULT 0,
  unconfirmed INTEGER NOT NULL DEFAULT 0, queried INTEGER NOT NULL DEFAULT 0, rejected INTEGER NOT NULL DEFAULT 0,
  attention INTEGER NOT NULL DEFAULT 0, rows INTEGER NOT NULL DEFAULT 0, readings INTEGER NOT NULL DEFAULT 0,
  warnings INTEGER NOT NULL DEFAULT 0, backwards TEXT NOT NULL
) WITHOUT ROWID;
CREATE INDEX job_backwards ON job (backwards);
CREATE INDEX job_attention ON job (attention DESC, first_seq DESC);
CREATE INDEX job_recent ON job (first_seq DESC);
CREATE INDEX job_state ON job (ended, signed, first_seq);
CREATE INDEX job_returned ON job (attention DESC, first_seq DESC) WHERE queried + rejected > 0;
CREATE INDEX job_unit ON job (unit);

CREATE TABLE waiting (seq INTEGER PRIMARY KEY, job TEXT NOT NULL);
CREATE INDEX waiting_job ON waiting (job);

CREATE TABLE look (seq INTEGER PRIMARY KEY, job TEXT NOT NULL);
CREATE INDEX look_job ON look (job);

CREATE TABLE decision (seq INTEGER PRIMARY KEY, job TEXT NOT NULL, decision TEXT NOT NULL);
CREATE INDEX decision_job ON decision (job);

CREATE TABLE identity (
  seq INTEGER PRIMARY KEY, job TEXT NOT NULL, field TEXT NOT NULL, value TEXT NOT NULL, plain TEXT NOT NULL,
  gone INTEGER NOT NULL
);
CREATE INDEX identity_plain ON identity (plain, seq);
CREATE INDEX identity_job ON identity (job);

CREATE TABLE part (
  seq INTEGER PRIMARY KEY, job TEXT NOT NULL, at TEXT NOT NULL, stage TEXT, part TEXT NOT NULL, action TEXT NOT NULL,
  quantity INTEGER NOT NULL, lot TEXT, plain TEXT, status TEXT NOT NULL, gone INTEGER NOT NULL
);
CREATE INDEX part_lot ON part (plain, seq) WHERE plain IS NOT NULL;

CREATE TABLE gauge (
  seq INTEGER PRIMARY KEY, job TEXT NOT NULL, serial TEXT, plain TEXT, root INTEGER NOT NULL, gone INTEGER NOT NULL
);

CREATE TABLE reading (
  seq INTEGER PRIMARY KEY, job TEXT NOT NULL, person TEXT, at TEXT NOT NULL, at_s REAL NOT NULL, stage TEXT,
  field TEXT NOT NULL, value TEXT NOT NULL, unit TEXT NOT NULL, amount TEXT NOT NULL, amount_unit TEXT NOT NULL,
  expanded TEXT, outcome TEXT, low TEXT, high TEXT, room REAL, near REAL, via TEXT, instrument TEXT, gauge TEXT,
  plain TEXT, status TEXT NOT NULL, gone INTEGER NOT NULL, correction INTEGER NOT NULL
);
CREATE INDEX reading_job ON reading (job);
CREATE INDEX reading_gauge ON reading (plain, at_s) WHERE plain IS NOT NULL;
CREATE INDEX reading_near ON reading (near, seq) WHERE gone = 0 AND near IS NOT NULL;

CREATE TABLE series (
  unit TEXT NOT NULL, field TEXT NOT NULL, stage TEXT NOT NULL, via TEXT NOT NULL, amount_unit TEXT NOT NULL,
  readings INTEGER NOT NULL, first_at TEXT NOT NULL, last_at TEXT NOT NULL, first REAL NOT NULL, last REAL NOT NULL,
  per_year REAL NOT NULL, score REAL NOT NULL,
  PRIMARY KEY (unit, field, stage, via, amount_unit)
) WITHOUT ROWID;
CREATE INDEX series_score ON series (field, score DESC);

CREATE TABLE unfinished (unit TEXT PRIMARY KEY) WITHOUT ROWID;

CREATE TABLE tally (
  person TEXT NOT NULL, field TEXT NOT NULL, readings INTEGER NOT NULL, corrected INTEGER NOT NULL,
  withdrawn INTEGER NOT NULL, confirmed INTEGER NOT NULL, PRIMARY KEY (person, field)
) WITHOUT ROWID;
"""
"""``waiting``: entries that nobody has confirmed; ``look``: entries that need a reviewer's look, neither replaced
nor accepted yet; ``decision``: a reviewer's last decision on the entry of this number. ``queried`` and ``rejected``
count what was not taken anew since; ``backwards`` is the job's id from its end. ``room``: the distance from an
amount to its nearest limit, as a part of the limits' width, or of the limit itself when there is only one; negative
outside. ``near`` is its amount without sign. ``instrument`` is the gauge as the entry names it, ``gauge`` after
later corrections of the gauge's number; ``root`` is the number of the first entry in a chain of such corrections.
``score``: a series' change by its line of best fit, as a multiple of the spread about that line."""

STANDING = ("identity", "part", "gauge", "reading")
"""The tables whose rows can be ``gone``."""


def plain(text: str) -> str:
    """Text as it is compared: upper case, without spaces and without the dashes and dots that people leave out."""
    return "".join(character for character in text.upper() if character.isalnum())
