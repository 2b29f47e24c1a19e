"""Where a person's own settings stand, by the rules of each system."""

from __future__ import annotations

import os
import sys
from pathlib import Path

OVERRIDE = "SPILEMARK_CONFIG"
"""Names another folder, for a shop that shares its settings."""


def config_folder() -> Path:
    """Folder of the person's settings; need not exist.

    ``SPILEMARK_CONFIG`` where it is set; else ``%APPDATA%`` on Windows,
    ``~/Library/Application Support`` on macOS, and elsewhere
    ``$XDG_CONFIG_HOME`` or ``~/.config`` (XDG Base Directory Specification 0.8,
    which says that a relative path there is to be ignored).
    """
    given = os.environ.get(OVERRIDE)
    if given:
        return Path(given)
    if sys.platform == "win32":
        roaming = os.environ.get("APPDATA")
        home = Path(roaming) if roaming else Path.home() / "AppData" / "Roaming"
    elif sys.platform == "darwin":
        home = Path.home() / "Library" / "Application Support"
    else:
        stated = Path(os.environ.get("XDG_CONFIG_HOME", ""))
        home = stated if stated.is_absolute() else Path.home() / ".config"
    return home / "spilemark"
