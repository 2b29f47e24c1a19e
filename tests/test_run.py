"""``run.py``: the part that can be tried without installing anything."""

from __future__ import annotations

import ast
import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture
def starter() -> ModuleType:
    spec = importlib.util.spec_from_file_location("starter", ROOT / "run.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_an_old_python_is_told_so(
    starter: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "version_info", (3, 9, 2, "final", 0))
    monkeypatch.setattr(sys, "argv", ["run.py", "demo"])
    assert starter.main() == 1
    assert "This is Python 3.9.2; spilemark needs 3.11 or newer" in capsys.readouterr().err


def test_an_old_python_can_read_it_at_all() -> None:
    # Whoever has an old Python must get our words, not a syntax error.
    ast.parse((ROOT / "run.py").read_text(encoding="utf-8"), feature_version=(3, 6))


def test_it_needs_nothing_but_the_standard_library() -> None:
    tree = ast.parse((ROOT / "run.py").read_text(encoding="utf-8"))
    roots = {
        name.split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in (
            [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else [a.name for a in node.names]
        )
    }
    assert roots <= sys.stdlib_module_names


def test_the_environment_is_renewed_when_what_it_was_made_from_changes(
    starter: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / ".venv"
    python = home / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    made: list[str] = []

    def create(where: Path, **_: object) -> None:
        made.append("venv")
        python.parent.mkdir(parents=True, exist_ok=True)
        python.touch()

    for name in ("pyproject.toml", "constraints.txt"):
        (tmp_path / name).write_text(name)
    for name, value in (("ROOT", tmp_path), ("HOME", home), ("STAMP", home / "stamp.txt")):
        monkeypatch.setattr(starter, name, value)
    monkeypatch.setattr(starter.venv, "create", create)
    monkeypatch.setattr(starter, "pip", lambda _, *words: made.append(words[-1]) or 0)

    assert starter.prepare("base") == python
    assert made == ["venv", ".", "pillow-heif"]
    made.clear()
    starter.prepare("base")
    assert made == []
    starter.prepare("test")
    assert made == ["venv", ".[test]", "pillow-heif"]
    made.clear()
    starter.prepare("base")
    assert made == []
    (tmp_path / "constraints.txt").write_text("numpy==3")
    starter.prepare("base")
    assert made == ["venv", ".", "pillow-heif"]


def test_a_missing_wheel_for_heic_is_said_and_stops_nothing(
    starter: ModuleType,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    for name, value in (("HOME", tmp_path), ("STAMP", tmp_path / "stamp.txt")):
        monkeypatch.setattr(starter, name, value)
    monkeypatch.setattr(starter.venv, "create", lambda *_, **__: None)
    monkeypatch.setattr(starter, "pip", lambda _, *words: int("pillow-heif" in words))
    starter.prepare("base")
    assert "HEIC photos cannot be read here" in capsys.readouterr().err
    assert (tmp_path / "stamp.txt").is_file()


def test_a_failed_install_is_said(
    starter: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(starter, "HOME", tmp_path)
    monkeypatch.setattr(starter.venv, "create", lambda *_, **__: None)
    monkeypatch.setattr(starter, "pip", lambda *_: 1)
    with pytest.raises(starter.Failed, match="network"):
        starter.prepare("base")
