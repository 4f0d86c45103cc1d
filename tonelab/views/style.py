"""One look for all figures, on a light or a dark ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Style:
    """Colours of a figure.

    The series differ in lightness as well as in hue, and avoid red beside green, so that they
    stay apart for readers with any colour vision and on a grey printer.
    """

    ground: str
    ink: str
    muted: str
    grid: str
    floor: str
    series: tuple[str, ...]

    def rc(self) -> dict[str, Any]:
        """Return the settings of matplotlib that make the look."""
        return {
            "figure.facecolor": self.ground,
            "axes.facecolor": self.ground,
            "savefig.facecolor": self.ground,
            "text.color": self.ink,
            "axes.labelcolor": self.ink,
            "axes.titlecolor": self.ink,
            "axes.edgecolor": self.muted,
            "xtick.color": self.muted,
            "ytick.color": self.muted,
            "xtick.labelcolor": self.ink,
            "ytick.labelcolor": self.ink,
            "grid.color": self.grid,
            "grid.linewidth": 0.6,
            "axes.grid": True,
            "axes.axisbelow": True,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.linewidth": 0.8,
            "axes.titlesize": 10,
            "axes.titleweight": "bold",
            "axes.titlelocation": "left",
            "axes.titlepad": 8,
            "axes.labelsize": 9,
            "xtick.labelsize": 8,
            "ytick.labelsize": 8,
            "legend.fontsize": 8,
            "legend.frameon": False,
            "font.size": 9,
            "font.family": "DejaVu Sans",
            "lines.linewidth": 1.6,
            "lines.solid_capstyle": "round",
            "svg.hashsalt": "tonelab",
            "savefig.dpi": 160,
        }


LIGHT = Style(
    ground="#ffffff",
    ink="#1d2430",
    muted="#7b8494",
    grid="#e3e7ed",
    floor="#b0413e",
    series=("#1d4f91", "#c2581c", "#45b0a0", "#7a2150", "#cfae2e", "#5d6776"),
)
DARK = Style(
    ground="#14181f",
    ink="#e8ecf2",
    muted="#8a94a5",
    grid="#29303b",
    floor="#f0857d",
    series=("#5aa2f0", "#f2994a", "#8fe3d0", "#b56ac0", "#f2dc6b", "#8f99a8"),
)
