"""A report page of simulated measurements, with everything on it that a page can hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from make_measurement import FINDINGS, make_measurement

from tonelab.views.page import render_page
from tonelab.views.pictures import CapturedCrop, PictureSet, difference_colours

HOSTILE = "</script><img src=x onerror=alert(1)>{{7*7}}\"'&amp;<b>"
FORMULA = "=1+1"
NAMES = ("Alva", "Borin", "Cetra")


def measurements():
    return [
        make_measurement("Alva", peak=4.0),
        make_measurement("Borin", peak=10.0, white=150.0),
        make_measurement("Cetra", peak=2.5, findings=()),
    ]


def pictures(count, size=(24, 32)):
    """One set: a grey of its own for the source and for each device; the last is missing."""
    shade = [np.full((*size, 3), 30 + 60 * index, np.uint8) for index in range(count + 1)]
    shown = [
        CapturedCrop(one, difference_colours(np.full(size, 5.0)), 5.0, 6.0, (1.0, 1.0), index)
        for index, one in enumerate(shade[1:-1])
    ]
    return PictureSet("harbour", "source frame 3, x 0 to 32, y 0 to 24", "named", "a standard",
                      shade[0], (*shown, None), "chroma note")  # fmt: skip


def drawing(width):
    """An SVG told apart by its width."""
    return f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="9"></svg>'


def whole_page(**changes):
    given = measurements()
    wanted = {
        "title": "Three simulated players",
        "notes": "On the bench\nsince May.",
        "checks": {
            "loopback": {
                "registration": [replace(FINDINGS[1], id="moved", text="It is moved by 1 pixel.")],
                "checks": [
                    {
                        "name": "dither",
                        "title": "Is dither added?",
                        "verdict": "cannot tell",
                        "findings": [replace(FINDINGS[1], verdict="transparent")],
                    }
                ],
            },
            "by hand": {"findings": [FINDINGS[0]]},
        },
        "corrections": [
            {
                "name": "Alva to source",
                "coverage": {"covered": 0.93, "holes": 4},
                "drawings": {"light": drawing(40), "dark": drawing(50)},
            }
        ],
        "pictures": [pictures(len(given))],
        "plan": {"device": [{"name": "Alva"}], "title": "bench"},
        "left_out": ["Capture 4: its file is cut short."],
    }
    return render_page(given, **{**wanted, **changes})


def hostile_page():
    bad = make_measurement(
        HOSTILE, firmware=HOSTILE, notes=HOSTILE, settings={HOSTILE: HOSTILE},
        findings=(replace(FINDINGS[0], text=HOSTILE, alternatives=(HOSTILE,)),),
    )  # fmt: skip
    bad = replace(bad, source=replace(bad.source, name=HOSTILE))
    place = replace(pictures(2), label=HOSTILE, reason=HOSTILE)
    return render_page(
        [bad, make_measurement(FORMULA)], title=HOSTILE, notes=HOSTILE, pictures=[place],
        checks={HOSTILE: {"findings": []}}, corrections=[{"name": HOSTILE, HOSTILE: HOSTILE}],
        plan={HOSTILE: HOSTILE}, left_out=[HOSTILE],
    )  # fmt: skip
