"""The record of a job, to mail or to keep: what went in by hash, what was reckoned, what came of it.

A folder or a zip that holds::

    record.json      everything in one table, with the hash of every file
    job_sheet.pdf    the same to print and to write on
    results/         the files of the job
    inputs/          the job file, what was planed off, trial bends; photos where wanted

Equal files give equal bytes: no clock, and zips are dated 1980.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spilemark.errors import CannotWrite, UnreadableInput, UsageError, WouldOverwrite
from spilemark.shop.files import REPORT, read_json
from spilemark.shop.fitted import FILE_NAME, FittedRecord, read_fitted
from spilemark.storage import existing_results

SCHEMA = 1
KIND = "job record"
TABLE, SHEET = "record.json", "job_sheet.pdf"
_EPOCH = (1980, 1, 1, 0, 0, 0)
"""The earliest date that a zip can hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What only the builder knows."""

    moisture_percent: float | None = None
    """Of the wood when it was glued."""
    glue: str = ""
    """Make and batch."""
    by: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.moisture_percent is not None and not 2.0 <= self.moisture_percent <= 60.0:
            raise UsageError(
                f"Wood of {self.moisture_percent:g} % moisture is none.",
                "Give per cent, such as 12.",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """One thing that went into the job."""

    name: str
    sha256: str
    what: str
    """"photo, port", "job file" ..."""
    kept: str = ""
    """Where it lies in the record; empty where only its hash is kept."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JobRecord:
    """A job, ready to be put away."""

    report: Mapping[str, Any]
    inputs: tuple[InputFile, ...]
    planed: FittedRecord
    bends: tuple[Mapping[str, Any], ...]
    """The shop's trial bends, as they stand in their file."""
    bench: Bench
    files: Mapping[str, bytes]
    """By place in the record, without the table and the sheet."""

    @property
    def title(self) -> str:
        """Boat, part and date."""
        job = self.report.get("job") or {}
        told = (str(job.get(key) or "") for key in ("boat", "part", "date"))
        return ", ".join(word for word in told if word) or "a job without a name"


def gather(
    results: Path,
    *,
    job_file: Path | None = None,
    trials: Path | None = None,
    photos: Sequence[Path] = (),
    with_photos: bool = False,
    bench: Bench | None = None,
) -> JobRecord:
    """Collect a job from its results folder and the files it was made from.

    Parameters
    ----------
    results : Path
        A results folder.
    job_file, trials : Path, optional
        Kept whole.
    photos : sequence of Path
        Where the photos lie; each must be one that was measured.
    with_photos : bool
        Whether they are kept whole, not only by hash.
    bench : Bench, optional

    Raises
    ------
    UnreadableInput
        The folder holds no report, or a file cannot be read.
    UsageError
        A photo is not one that was measured.
    """
    report = read_json(results / REPORT, "report")
    if report.get("schema") != 1 or not isinstance(report.get("patterns"), dict):
        raise UnreadableInput(
            f"{results / REPORT} is not the report of a job.", "Name a results folder."
        )
    files = {f"results/{path.name}": _bytes(path) for path in existing_results(results)}
    inputs = [*_photos(report, photos, files if with_photos else None)]
    fitted = results / FILE_NAME
    extra = (("job file", job_file), ("what was planed off", fitted), ("trial bends", trials))
    for what, path in extra:
        if path is not None and (path != fitted or path.is_file()):
            inputs.append(_kept(path, what, files))
    return JobRecord(
        report=report,
        inputs=tuple(inputs),
        planed=read_fitted(fitted) if fitted.is_file() else FittedRecord(),
        bends=() if trials is None else _bends(trials),
        bench=bench or Bench(),
        files=files,
    )


def record_table(record: JobRecord, sheet: bytes) -> dict[str, Any]:
    """What stands in ``record.json``."""
    report = record.report
    inside = {**record.files, SHEET: sheet}
    provenance = report.get("provenance") or {}
    return {
        "schema": SCHEMA,
        "kind": KIND,
        "job": report.get("job"),
        "bench": {
            "moisture_percent": record.bench.moisture_percent,
            "glue": record.bench.glue,
            "by": record.bench.by,
            "notes": [*record.bench.notes],
        },
        "inputs": [
            {"name": i.name, "sha256": i.sha256, "what": i.what, "kept": i.kept or None}
            for i in record.inputs
        ],
        "measured": {
            side: {
                "doubt": pattern.get("fixed_words"),
                "scale": (pattern.get("scale") or {}).get("words"),
                "seen_percent": pattern.get("seen_percent"),
            }
            for side, pattern in report["patterns"].items()
        },
        "comparison": _verdict(report),
        "sums": {key: report[key] for key in sums_of(report)},
        "planed": [
            {
                "side": p.side,
                "edge": p.off.edge,
                "at_mm": [*p.off.at_mm],
                "off_mm": [*p.off.values],
                "date": p.date,
                "note": p.note,
            }
            for p in record.planed.planed
        ],
        "bends": [dict(bend) for bend in record.bends],
        "notes": report.get("notes", []),
        "program": provenance.get("versions"),
        "files": [
            {"name": name, "sha256": _sha256(content), "bytes": len(content)}
            for name, content in sorted(inside.items())
        ],
    }


def sums_of(report: Mapping[str, Any]) -> tuple[str, ...]:
    """The tables of a report that hold what was reckoned for the bench."""
    measured = ("job", "patterns", "comparison", "cards", "provenance")
    return tuple(k for k, v in report.items() if isinstance(v, dict) and k not in measured)


def write_record(record: JobRecord, target: Path, *, force: bool = False) -> Path:
    """Put a record into a folder, or a zip where the name ends so; all of it or none.

    Raises
    ------
    WouldOverwrite
        Something stands there already; with ``force`` only a record is replaced.
    CannotWrite
    """
    from spilemark.job_sheet import job_sheet

    _check_target(target, force=force)
    sheet = job_sheet(record)
    table = json.dumps(record_table(record, sheet), ensure_ascii=False, allow_nan=False, indent=1)
    files = {**record.files, SHEET: sheet, TABLE: (table + "\n").encode()}
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        if target.suffix.lower() == ".zip":
            part.write_bytes(_zipped(files))
        else:
            for name, content in files.items():
                (part / name).parent.mkdir(parents=True, exist_ok=True)
                (part / name).write_bytes(content)
            if target.exists():
                shutil.rmtree(target)
        part.replace(target)
    except OSError as error:
        raise CannotWrite(
            f"{target} cannot be written: {error.strerror}.", "Check its folder and the free space."
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
        if part.is_file():
            part.unlink()
    return target


def check_record(path: Path) -> dict[str, Any]:
    """Hash everything in a record again.

    Returns
    -------
    dict
        Its table.

    Raises
    ------
    UnreadableInput
        It is no record, or a file in it is missing, is new or was changed; all are named.
    """
    files = dict(_held(path))
    try:
        table = json.loads(files.pop(TABLE))
        told = {str(row["name"]): str(row["sha256"]) for row in table["files"]}
        kind = table["kind"]
    except (KeyError, TypeError, ValueError) as error:
        raise UnreadableInput(
            f"{path} is no job record: {TABLE} is missing or is not as it was written.",
            "Name the folder or zip that spilemark record wrote.",
        ) from error
    if kind != KIND:
        raise UnreadableInput(f"{path} is no job record.", "")
    faults = [
        *(f"{name} is missing" for name in sorted(told.keys() - files.keys())),
        *(f"{name} was added" for name in sorted(files.keys() - told.keys())),
        *(
            f"{name} was changed"
            for name in sorted(told.keys() & files.keys())
            if _sha256(files[name]) != told[name]
        ),
    ]
    if faults:
        raise UnreadableInput(
            f"The record {path} is not as it was written: {'; '.join(faults)}.",
            "Take another copy, or make the record anew from the results folder.",
        )
    return dict(table)


def _photos(
    report: Mapping[str, Any], paths: Iterable[Path], files: dict[str, bytes] | None
) -> list[InputFile]:
    """Photos by the hashes in the report; those that are at hand are compared with it."""
    known = [
        (str(p["name"]), str(p["sha256"]), str(p.get("arm") or ""))
        for p in (report.get("provenance") or {}).get("photos", [])
    ]
    kept: dict[str, str] = {}
    for path in paths:
        content = _bytes(path)
        found = _sha256(content)
        if found not in {sha for _, sha, _ in known}:
            raise UsageError(
                f"{path} is not a photo that this job measured: its hash is another one.",
                "Give the photos of this job, as they were when it ran.",
            )
        if files is not None:
            place = f"inputs/{path.name}"
            if place in files and files[place] != content:
                place = f"inputs/{found[:8]}_{path.name}"
            files[place], kept[found] = content, place
    return [
        InputFile(
            name=name, sha256=sha, what=f"photo, {arm}" if arm else "photo", kept=kept.get(sha, "")
        )
        for name, sha, arm in known
    ]


def _kept(path: Path, what: str, files: dict[str, bytes]) -> InputFile:
    content = _bytes(path)
    place = f"inputs/{path.name}"
    if place in files and files[place] != content:
        raise UsageError(
            f"Two files of this record are called {path.name}.", "Give one of them another name."
        )
    files[place] = content
    return InputFile(name=path.name, sha256=_sha256(content), what=what, kept=place)


def _bends(path: Path) -> tuple[Mapping[str, Any], ...]:
    from spilemark.blank.trial import read_trials

    found = []
    for bend in read_trials(path):
        row = {name: getattr(bend, name) for name in bend.__struct_fields__}
        row["date"] = None if bend.date is None else bend.date.isoformat()
        found.append({**row, "times_the_law": round(bend.ratio, 4)})
    return tuple(found)


def _verdict(report: Mapping[str, Any]) -> dict[str, Any] | None:
    found = report.get("comparison")
    if not isinstance(found, dict):
        return None
    return {k: found.get(k) for k in ("datum", "tolerance_mm", "verdict", "one_part_serves_both")}


def _check_target(target: Path, *, force: bool) -> None:
    if not target.exists():
        return
    if not force:
        raise WouldOverwrite(
            f"{target} already exists.", "Choose another name, or add --force to replace it."
        )
    if target.is_dir() and any(target.iterdir()) and not (target / TABLE).is_file():
        raise WouldOverwrite(
            f"{target} holds other things than a record.", "Choose another name for the record."
        )


def _zipped(files: Mapping[str, bytes]) -> bytes:
    store = io.BytesIO()
    with zipfile.ZipFile(store, "w") as archive:
        for name, content in sorted(files.items()):
            entry = zipfile.ZipInfo(name, _EPOCH)
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, content)
    return store.getvalue()


def _held(path: Path) -> list[tuple[str, bytes]]:
    """All files of a record by their place in it."""
    try:
        if path.is_dir():
            found = sorted(p for p in path.rglob("*") if p.is_file())
            return [(p.relative_to(path).as_posix(), p.read_bytes()) for p in found]
        with zipfile.ZipFile(path) as archive:
            return [(n, archive.read(n)) for n in archive.namelist() if not n.endswith("/")]
    except OSError as error:
        raise UnreadableInput(
            f"The record {path} cannot be read: {error.strerror or type(error).__name__}.",
            "Check its name and folder.",
        ) from error
    except (zipfile.BadZipFile, ValueError, NotImplementedError, RuntimeError) as error:
        raise UnreadableInput(
            f"{path} is neither a folder nor a sound zip.", "Take another copy."
        ) from error


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise UnreadableInput(
            f"{path} cannot be read: {error.strerror or type(error).__name__}.",
            "Check its name and folder.",
        ) from error


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
