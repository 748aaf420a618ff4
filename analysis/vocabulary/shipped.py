"""Where `config/` and `sample_logs/` are: inside an installed wheel, or beside the packages in a checkout."""

from __future__ import annotations

from pathlib import Path


def shipped(folder: str) -> Path:
    """Return the path of a shipped top-level folder, ``config`` or ``sample_logs``."""
    package = Path(__file__).resolve().parents[1]
    installed = package / "_shipped" / folder
    return installed if installed.is_dir() else package.parent / folder
