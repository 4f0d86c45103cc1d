"""What tuning found, as JSON values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.views.document import plain

if TYPE_CHECKING:
    from tonelab.tune import Control, Tuning


def tuning_document(tuning: Tuning) -> dict[str, Any]:
    """Lay out what tuning found as JSON values, ``schema`` and ``version`` first.

    Distances are ΔE_ITP; luma is a signal 0..1, hue in degrees.
    """
    return {
        "schema": "tonelab.tuning",
        "version": 1,
        "device": tuning.device,
        "colours": tuning.modes[0].colours,
        "controls": [_control(control) for control in tuning.controls],
        "held": plain(tuning.held),
        "ranges": {
            name: {"low": low, "high": high, "origin": origin}
            for name, (low, high, origin) in tuning.ranges.items()
        },
        "lift_through_gain": tuning.modes[0].model.lift_first,
        "modes": [
            {
                "mode": one.mode,
                "colours": one.colours,
                "target": one.target,
                "base": plain(one.base),
                "proposals": plain(one.proposals),
                "shared": plain(one.shared),
                "others": plain(one.others),
                "could_gain": one.could_gain,
                "out_of_reach_below": one.reach,
                "hidden_colours": int(one.model.hidden.sum()),
                "residuals_codes": {k: 876 * v for k, v in one.model.residuals.items()},
            }
            for one in tuning.modes
        ],
        "compromise": plain(tuning.compromise),
        "next_captures": plain(tuning.suggestions),
        "confirmations": plain(tuning.confirmations),
    }


def _control(control: Control) -> dict[str, Any]:
    return {
        "name": control.name,
        "stage": control.stage,
        "seen": list(control.seen),
        "pivot": control.pivot if "gain" in control.quantities else None,
        "chroma_coupling": control.coupling if "gain" in control.quantities else None,
        "effects": {
            quantity: {
                "per_register": response.step,
                "registers_per_setting": response.registers,
                "first_setting": response.first,
                "likeliest": plain(response.table[0]),
            }
            for quantity, response in control.responses.items()
        },
    }
