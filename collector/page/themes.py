"""The page's two looks. Colours stay apart for colour-blind eyes, and none says what a word does not say too."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

DASHES = ("solid", "dashed", "dotted")


@dataclass(frozen=True)
class Theme:
    """Colours of the trends; the rest of the page has its own in `style.css`, by the same name."""

    ink: str
    quiet: str
    grid: str
    lines: tuple[str, ...]
    stage_shades: tuple[str, str]
    phase: str
    target: str


THEMES: Mapping[str, Theme] = {
    "night": Theme(
        ink="#e8eef4",
        quiet="#8a97a5",
        grid="#33404d",
        lines=("#5cc8d7", "#ff9d7a", "#c9a0e0", "#e0cf5a", "#86b4ff", "#b8c2cf"),
        stage_shades=("rgba(134,180,255,0.10)", "rgba(134,180,255,0.02)"),
        phase="rgba(255,209,102,0.16)",
        target="#ffd166",
    ),
    "sun": Theme(
        ink="#000000",
        quiet="#7a8490",
        grid="#b9c2cc",
        lines=("#0b5560", "#a8381f", "#5d3580", "#6b5c00", "#1f4f96", "#3d454e"),
        stage_shades=("rgba(31,79,150,0.10)", "rgba(31,79,150,0.02)"),
        phase="rgba(180,120,0,0.18)",
        target="#8a5a00",
    ),
}
