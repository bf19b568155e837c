"""Every attempt, kept on this machine: SQLite in the user's data folder, one attempt at a time.

An attempt is one transaction: a process that ends at any moment leaves all of it or nothing.
Several processes may write at once; each waits for the other.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from entrypoint import __version__
from entrypoint.errors import FieldRefused, FileRefused, OutputRefused
from entrypoint.planning.model import CAVEAT
from entrypoint.rehearsal.cells import cell
from entrypoint.rehearsal.marks import person_name
from entrypoint.report.wording import PRACTICE_BANNER

__all__ = ["Attempt", "Store", "default_cache", "default_path"]

_FORM = 1
_WAIT_S = 15.0
_MOST_TEXT = 2**20  # of one attempt's marks or score, as JSON
_MADE = """
CREATE TABLE IF NOT EXISTS attempt (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    at_utc TEXT NOT NULL,
    person TEXT NOT NULL,
    head_key TEXT NOT NULL,
    head_seed INTEGER,
    practice INTEGER NOT NULL,
    session TEXT,
    side TEXT NOT NULL,
    nasion_mm REAL,
    by_eye_mm REAL,
    entry_mm REAL,
    entry_front_back_mm REAL,
    entry_left_right_mm REAL,
    tilt_deg REAL,
    past_inner_mm REAL,
    tip_error_mm REAL,
    margins_broken INTEGER NOT NULL,
    decision TEXT,
    verdict TEXT NOT NULL,
    failed INTEGER NOT NULL,
    fails TEXT NOT NULL,
    total_s REAL NOT NULL,
    tool_version TEXT NOT NULL,
    marks_json TEXT NOT NULL,
    score_json TEXT NOT NULL
)
"""


def default_path() -> Path:
    """Where attempts are kept: the user's own data folder."""
    from platformdirs import user_data_path

    return user_data_path("entrypoint", appauthor=False) / "rehearsal.sqlite3"


def default_cache() -> Path:
    """Where the volumes of random heads are kept between runs: the user's own cache folder."""
    from platformdirs import user_cache_path

    return user_cache_path("entrypoint", appauthor=False) / "heads"


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One attempt as it was kept; errors as of the hand score, null where there is none."""

    number: int
    at_utc: str
    person: str
    head_key: str
    head_seed: int | None
    practice: bool
    session: str | None
    side: str
    nasion_mm: float | None
    by_eye_mm: float | None
    entry_mm: float | None
    entry_front_back_mm: float | None
    entry_left_right_mm: float | None
    tilt_deg: float | None
    past_inner_mm: float | None
    tip_error_mm: float | None
    margins_broken: int
    decision: str | None
    verdict: str
    failed: bool
    fails: tuple[str, ...]
    total_s: float
    tool_version: str
    marks: dict[str, Any]
    score: dict[str, Any]


_COLUMNS = tuple(f.name for f in fields(Attempt))
_TABLE = tuple(n for n in _COLUMNS if n not in ("marks", "score"))


class Store:
    """The attempts of everyone who practises on this machine.

    Parameters
    ----------
    path : Path, optional
        By default :func:`default_path`.

    Raises
    ------
    OutputRefused
        The folder cannot be made or written.
    FileRefused
        The file is no store of attempts, or of a newer version.
    """

    def __init__(self, path: Path | str | None = None) -> None:
        """Open the store, and make it where there is none."""
        self.path = default_path() if path is None else Path(path)
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        except OSError:
            raise self._unwritable() from None
        with self._open() as db:
            form = int(db.execute("PRAGMA user_version").fetchone()[0])
            if form > _FORM:
                raise FileRefused(
                    found=f"the kept attempts have version {form}",
                    expected=f"at most {_FORM}",
                    next_step="update entrypoint",
                )
            db.execute(_MADE)
            db.execute(f"PRAGMA user_version = {_FORM}")

    def add(
        self,
        person: object,
        head_key: str,
        session: str | None,
        marks: Mapping[str, Any],
        score: Mapping[str, Any],
    ) -> int:
        """Keep one attempt, in one transaction.

        Parameters
        ----------
        person : name or number that was typed
        head_key : str
        session : str or None
            Its title.
        marks, score : mapping
            As of ``marks_json`` and ``Score.to_json``.

        Returns
        -------
        int
            Its number.

        Raises
        ------
        FieldRefused, OutputRefused
        """
        hand, judged = score["hand"], score["judgement"]
        entry = hand["entry"]

        def along(name: str) -> float | None:
            return None if hand[name] is None else float(hand[name]["along_scalp_mm"])

        row: dict[str, Any] = {
            "at_utc": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "person": person_name(person),
            "head_key": head_key,
            "head_seed": score["head"]["seed"],
            "practice": int(score["practice"]),
            "session": session,
            "side": score["side"],
            "nasion_mm": along("nasion"),
            "by_eye_mm": along("by_eye"),
            "entry_mm": along("entry"),
            "entry_front_back_mm": entry["front_back_mm"],
            "entry_left_right_mm": entry["left_right_mm"],
            "tilt_deg": hand["tilt_deg"],
            "past_inner_mm": hand["past_inner_mm"],
            "tip_error_mm": hand["tip_error_mm"],
            "margins_broken": sum(1 for m in hand["margins"] if m["broken_by_mm"]),
            "decision": judged["decision"],
            "verdict": judged["verdict"],
            "failed": int(judged["failed"]),
            "fails": ";".join(judged["fails"]),
            "total_s": float(score["seconds"]["total"]),
            "tool_version": __version__,
            "marks_json": _text(marks),
            "score_json": _text(score),
        }
        names = ", ".join(row)
        marked = ", ".join(f":{n}" for n in row)
        with self._open() as db:
            made = db.execute(f"INSERT INTO attempt ({names}) VALUES ({marked})", row)
            return int(made.lastrowid or 0)

    def attempts(self, person: object = None) -> list[Attempt]:
        """Attempts in the order in which they were made; of one person, or of all."""
        where = ""
        given: tuple[str, ...] = ()
        if person is not None:
            where, given = " WHERE person = ?", (person_name(person),)
        with self._open() as db:
            db.row_factory = sqlite3.Row
            rows = db.execute(f"SELECT * FROM attempt{where} ORDER BY number", given).fetchall()
        return [_attempt(row) for row in rows]

    def people(self) -> list[str]:
        """Everyone of whom an attempt is kept, by name."""
        with self._open() as db:
            found = db.execute("SELECT DISTINCT person FROM attempt ORDER BY person").fetchall()
        return [str(row[0]) for row in found]

    def export_csv(self, person: object = None) -> str:
        """A table of the attempts: one row each, with the caveat in its first line."""
        out = io.StringIO()
        attempts = self.attempts(person)
        out.write(f"# {CAVEAT}\n")
        if any(a.practice for a in attempts):
            out.write(f"# {PRACTICE_BANNER}\n")
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(_TABLE)
        for attempt in attempts:
            writer.writerow([cell(getattr(attempt, name)) for name in _TABLE])
        return out.getvalue()

    def export_json(self, person: object = None) -> str:
        """Everything that is kept, as JSON text."""
        attempts = self.attempts(person)
        made = {
            "record": "entrypoint.rehearsal.attempts",
            "version": 1,
            "caveat": CAVEAT,
            "banner": PRACTICE_BANNER if any(a.practice for a in attempts) else None,
            "attempts": [{n: getattr(a, n) for n in _COLUMNS} for a in attempts],
        }
        return json.dumps(made, indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def delete_all(self) -> int:
        """Delete every attempt, and what is left of them in the file.

        Returns
        -------
        int
            How many there were.
        """
        with self._open() as db:
            db.execute("PRAGMA secure_delete = ON")
            count = int(db.execute("DELETE FROM attempt").rowcount)
            db.execute("DELETE FROM sqlite_sequence")
        with self._open(plain=True) as db:
            db.execute("VACUUM")
        return count

    @contextlib.contextmanager
    def _open(self, *, plain: bool = False) -> Iterator[sqlite3.Connection]:
        """A connection with a transaction round it: all of it or nothing."""
        db: sqlite3.Connection | None = None
        try:
            db = sqlite3.connect(self.path, timeout=_WAIT_S, isolation_level=None)
            db.execute("PRAGMA synchronous = FULL")
            if plain:
                yield db
                return
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
            except BaseException:
                db.execute("ROLLBACK")
                raise
            db.execute("COMMIT")
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                raise OutputRefused(
                    found=f"another process has held the kept attempts for {_WAIT_S:.0f} s",
                    expected="one that writes and goes on",
                    next_step="close the other one, and try again",
                ) from None
            raise self._unwritable() from None
        except sqlite3.DatabaseError:
            raise FileRefused(
                found=f"{self.path.name} is no store of attempts, or is damaged",
                expected="a file that entrypoint rehearse made",
                next_step="move it away; a new one is made then",
            ) from None
        finally:
            if db is not None:
                db.close()

    def _unwritable(self) -> OutputRefused:
        return OutputRefused(
            found="the folder of kept attempts cannot be written",
            expected=f"permission to write {self.path.name}",
            next_step="free some space or change the permissions of the user's data folder",
        )


def _text(value: Mapping[str, Any]) -> str:
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    if len(text) > _MOST_TEXT:
        raise FieldRefused(
            found=f"an attempt of {len(text)} characters",
            expected=f"at most {_MOST_TEXT}",
            next_step="report this error",
        )
    return text


def _attempt(row: sqlite3.Row) -> Attempt:
    values = {name: row[name] for name in _TABLE}
    values["practice"], values["failed"] = bool(row["practice"]), bool(row["failed"])
    values["fails"] = tuple(part for part in str(row["fails"]).split(";") if part)
    return Attempt(
        **values, marks=json.loads(row["marks_json"]), score=json.loads(row["score_json"])
    )
