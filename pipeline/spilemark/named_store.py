"""Things that were measured once and are kept by name among a person's settings: printers, lenses."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from spilemark.config import config_folder
from spilemark.errors import CannotWrite, UsageError, WouldOverwrite
from spilemark.storage import store_files
from spilemark.strict import check_keys, convert, nearest, read_toml

_NAME = re.compile(r"[^\W_](?:[\w .+-]{0,38}[\w.+])?")


class Named(Protocol):
    """What can be kept."""

    @property
    def name(self) -> str:
        """By which it is found again."""


T = TypeVar("T", bound=Named)


def check_name(name: str, kind: str) -> None:
    """Refuse a name that a person could not type again.

    Raises
    ------
    ValueError
    """
    if not _NAME.fullmatch(name):
        raise ValueError(f"a {kind}'s name has letters, digits, blanks and - . + only")


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedStore(Generic[T]):
    """One file of named things; written whole or not at all."""

    kind: str
    """In a word: "printer"; the name of its TOML table, too."""
    many: str
    """In a word: "printers"; the name of its file, too."""
    record: type[T]
    entry: Callable[[T], str]
    """Its lines in the file, ``[[kind]]`` included."""
    again: str
    """What to do where one of that name is stored already."""
    told: Callable[[T], str] = lambda _: ""
    """What is said of the stored one then."""

    @property
    def file_name(self) -> str:
        """Name of the file among the settings."""
        return f"{self.many}.toml"

    def read(self, path: Path | None = None) -> tuple[T, ...]:
        """All that is stored, by name; nothing where nothing was stored yet.

        Parameters
        ----------
        path : Path, optional
            Another file than the one among the settings.

        Raises
        ------
        UnreadableInput, UsageError
            The file was damaged or wrongly edited.
        """
        path = self._file(path)
        if not path.exists():
            return ()
        what = f"file of {self.many}"
        table = read_toml(path, what)
        check_keys(table, (self.kind,), f"The {what} {path}")
        entries = table.get(self.kind, [])
        if not (isinstance(entries, list) and all(isinstance(entry, dict) for entry in entries)):
            raise UsageError(
                f"The {what} {path} has no list of {self.many}.",
                f"Each one stands under [[{self.kind}]]; or remove the file and measure again.",
            )
        found = [
            convert(entry, self.record, f"The {what} {path}, {self.kind} {k},")
            for k, entry in enumerate(entries, start=1)
        ]
        for name, count in Counter(item.name for item in found).items():
            if count > 1:
                # Storing the next one would drop all but the last of them.
                raise UsageError(
                    f'The {what} {path} has {count} {self.many} of the name "{name}".',
                    "Give each a name of its own, or remove all but one.",
                )
        return tuple(sorted(found, key=lambda item: item.name))

    def find(self, name: str, path: Path | None = None) -> T:
        """One of them.

        Raises
        ------
        UsageError
            None of that name is stored.
        """
        known = {item.name: item for item in self.read(path)}
        if name not in known:
            listed = ", ".join(known) if known else "none yet"
            raise UsageError(
                f'No {self.kind} "{name}" was measured.{nearest(name, known)}',
                f'Stored: {listed}. "spilemark {self.kind} measure" stores one.',
            )
        return known[name]

    def check_new(self, name: str, path: Path | None = None, *, force: bool = False) -> None:
        """Refuse a name before anything is measured for it.

        Raises
        ------
        UsageError
            It is none that could be stored.
        WouldOverwrite
            One of that name is stored and ``force`` is false.
        """
        try:
            check_name(name, self.kind)
        except ValueError as error:
            raise UsageError(f'"{name}": {error}.', "Choose another name.") from error
        known = {old.name: old for old in self.read(path)}
        if name in known and not force:
            raise WouldOverwrite(
                f'A {self.kind} "{name}" is stored already{self.told(known[name])}.', self.again
            )

    def store(self, item: T, path: Path | None = None, *, force: bool = False) -> Path:
        """Keep one, whole or not at all; hands back the file.

        Raises
        ------
        WouldOverwrite
            One of that name is stored and ``force`` is false.
        CannotWrite
        """
        self.check_new(item.name, path, force=force)
        path = self._file(path)
        known = {old.name: old for old in self.read(path)}
        known[item.name] = item
        head = (
            f"# {self.many.capitalize()} as measured."
            f' Rewritten by "spilemark {self.kind} measure".\n'
        )
        text = head + "".join(self.entry(known[name]) for name in sorted(known))
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            store_files({path: text.encode()})
        except OSError as error:
            raise CannotWrite(
                f"The {self.kind} cannot be stored in {path}: {error.strerror}.",
                "Check that the folder is yours to write in, or name another file with --file.",
            ) from error
        return path

    def _file(self, path: Path | None) -> Path:
        return config_folder() / self.file_name if path is None else path
