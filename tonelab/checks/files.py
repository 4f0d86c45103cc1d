"""What stands in the files: decoding, illegal codes, labels and HDR metadata."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.levels import shows_full_range
from tonelab.checks.registry import CHAIN, CHECKS, Deciding, altered, transparent, undecided
from tonelab.media.v210 import stride_of
from tonelab.results import Finding
from tonelab.signal.quantisation import ORIGIN

if TYPE_CHECKING:
    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Findings

_LOOKED_AT = 12  # frames of a v210 clip that are searched for illegal codes
_FEW_SAMPLES = 16  # of one code that count as a part of the picture
_FEW_COLOURS = 16  # from which a map of colours is no chance
_METADATA_SLACK = 1.1  # factor by which light may pass what the metadata say


@CHECKS.register(
    "decoding",
    label="decoding gives the same codes twice",
    always=True,
    needs="files",
    of_samples=False,
)
def decoding(evidence: PathEvidence) -> Findings:
    """Decode the first frames of both clips twice."""
    from tonelab.media import decoder_is_deterministic

    for side, clip in zip(("source", "capture"), evidence.clips or (), strict=False):
        name = f"decoding-{side}"
        if decoder_is_deterministic(clip, 2):
            yield transparent(name, f"Two decodings of the {side} agree.", count=2)
        else:
            yield altered(
                name,
                f"Two decodings of the {side} differ: nothing measured on it can be trusted.",
                severity="stop",
                count=2,
                alternatives=("faulty memory", "a file that is still being written"),
                decided_by=f"the {side} rewrapped losslessly, or read on another computer",
            )


@CHECKS.register("legal", label="codes that video must not hold", always=True, needs="files")
def legal(evidence: PathEvidence) -> Findings:
    """Count reserved codes in a v210 capture."""
    from tonelab.media.stored import V210Clip

    capture = evidence.clips[1] if evidence.clips else None
    if not isinstance(capture, V210Clip):
        yield from _reserved(evidence)
        return
    frames = np.unique(
        np.linspace(0, capture.frame_count - 1, _LOOKED_AT).round().astype(int)
    ).tolist()
    reserved, top = np.sum([capture.violations(frame) for frame in frames], axis=0).tolist()
    count = len(frames) * capture.width * capture.height * 2
    if reserved or top:
        yield altered(
            "legal-codes",
            f"{reserved} samples hold reserved codes (0 to 3, 1020 to 1023) and {top} words have "
            "bits set that plain v210 leaves clear.",
            value=float(reserved),
            unit="samples",
            count=count,
            threshold=0.0,
            alternatives=("full-range codes stored as v210", "rows read with a wrong stride"),
            decided_by="the same output recorded with another card or in another format",
        )
    else:
        yield transparent(
            "legal", f"No reserved code in {len(frames)} frames.", value=0.0, count=count
        )


def _reserved(evidence: PathEvidence) -> Findings:
    """Count codes that BT.2100 keeps for synchronisation in any other narrow-range capture.

    One that is declared otherwise, but shows narrow range, is one.
    """
    if evidence.tallies is None:
        return
    declared = evidence.capture.origins.get("range") == "declared"
    if evidence.capture.range != "narrow" and not (
        declared and evidence.pass_through and not shows_full_range(evidence)
    ):
        return
    codes = evidence.capture_histogram
    found, count = int(codes[:, :4].sum() + codes[:, 1020:].sum()), int(codes.sum())
    name, text = "legal", f"No reserved code in {count:,} samples."
    if not found:
        yield transparent(name, text, value=0.0, count=count, threshold=0.0)
        return
    yield altered(
        f"{name}-codes",
        f"{found:,} samples hold codes that are reserved for synchronisation (0 to 3 and 1020 to "
        "1023 in 10 bits).",
        severity="info",
        value=float(found),
        unit="samples",
        count=count,
        threshold=0.0,
        alternatives=("a capture in full range", "a path that ends at the ends of the code range"),
        decided_by="the same output recorded over an interface that keeps these codes free",
    )


@CHECKS.register(
    "stride", label="how rows are stored", always=True, needs="files", of_samples=False
)
def stride(evidence: PathEvidence) -> Findings:
    """Say whether v210 rows are stored by the 48-pixel rule."""
    from tonelab.media.stored import V210Clip

    for side, clip in zip(("source", "capture"), evidence.clips or (), strict=False):
        if not isinstance(clip, V210Clip):
            continue
        name = f"stride-{side}"
        figures: Deciding = {
            "value": float(clip.stride.size),
            "unit": "bytes",
            "count": clip.frame_count,
            "threshold": float(stride_of(clip.width)),
        }
        if clip.stride.note:
            figures["alternatives"] = ("a file that is misdescribed",)
            figures["decided_by"] = "the picture itself, upright where the stride is right"
            text = f"{clip.stride.note} A wrong stride would shear the picture."
            yield altered(name, text, severity="info", **figures)
        else:
            yield transparent(name, f"Rows of the {side} follow the 48-pixel rule.", **figures)


@CHECKS.register(
    "storage",
    label="oddities of how clips are stored",
    always=True,
    needs="files",
    of_samples=False,
)
def storage(evidence: PathEvidence) -> Findings:
    """Say which frames of a file are repeats, hidden or left out, and the like."""
    from tonelab.media.stored import V210Clip

    for side, clip in zip(("source", "capture"), evidence.clips or (), strict=False):
        rows = clip.stride.note if isinstance(clip, V210Clip) else ""  # which `stride` judges
        for note in clip.notes:
            if note != rows:
                yield Finding(f"storage-{side}", "info", f"{clip.path.name}: {note}")


@CHECKS.register("labels", label="how the capture is labelled", of_samples=False)
def labels(evidence: PathEvidence) -> Findings:
    """Compare what the capture of a pass-through declares with what its codes show."""
    capture, shown, same = evidence.capture, _shown(evidence), evidence.identity
    count = same.samples if same is not None else int(evidence.explanation.used.sum())
    said = {name: getattr(capture, name) for name in shown}
    origins = {name: capture.origins.get(name, "assumed") for name in shown}
    silent = [name for name, origin in origins.items() if origin == "assumed"]
    wrong = [name for name in shown if name not in silent and said[name] != shown[name]]
    for name in wrong:
        yield altered(
            f"labels-{name}",
            f"The capture is {origins[name]} as {name} {said[name]}, but its codes show "
            f"{shown[name]}.",
            value=1.0,
            unit="fields",
            count=count,
            threshold=0.0,
            alternatives=(f"{CHAIN} labels everything alike",),
            decided_by="the output's signalling as the capture card received it",
        )
    source = [n for n in shown if evidence.source.origins.get(n) == "inferred"]
    if source and not evidence.source.is_hdr:
        read = ", ".join(f"{name} {getattr(evidence.source, name)}" for name in source)
        text = f"Nothing says {', '.join(source)} of the source: by its depth and size it is read "
        yield undecided(
            "labels-source", f"{text}as {read}.", "what it is, stated with --source-signal"
        )
    if silent:
        yield undecided(
            "labels",
            f"Nothing says {', '.join(silent)} of the capture; its codes show "
            f"{', '.join(str(shown[name]) for name in silent)}.",
            "the output's signalling as the capture card received it",
        )
    elif not wrong:
        yield transparent(
            "labels", "What the capture declares is what its codes show.", value=0.0,
            unit="fields", count=count, threshold=0.0,
        )  # fmt: skip


def _shown(evidence: PathEvidence) -> dict[str, str]:
    """Say how the codes of a pass-through are to be read, by what became of the source's."""
    if evidence.identity is not None:
        fields = ("transfer", "range", "matrix", "primaries")
        return {name: getattr(evidence.source, name) for name in fields}
    found = evidence.explanation
    mixed = found.again or found.matrices
    return {
        "transfer": evidence.source.transfer,
        "range": "full" if shows_full_range(evidence) else "narrow",
        "matrix": mixed[0] if mixed else evidence.source.matrix,
        "primaries": found.gamut[1] if found.gamut else evidence.source.primaries,
    }


@CHECKS.register(
    "declared", label="what the output declared on the wire", always=True, of_samples=False
)
def declared(evidence: PathEvidence) -> Findings:
    """Compare what a person read in the InfoFrames with what the codes show."""
    said = evidence.declared
    if not said:
        return
    count = int(evidence.capture_histogram[0].sum())
    decided, silent = _decided(evidence)
    agreed = []
    for name, value in said.items():
        if name not in decided:
            why, capture = silent[name]
            yield undecided(
                f"declared-{name}", f"The output declared {name} {value}; {why}.", capture
            )
        elif decided[name] == value:
            agreed.append(f"{name} {value}")
        else:
            yield altered(
                f"declared-{name}",
                f"The output declared {name} {value}, but its codes show {decided[name]}.",
                value=1.0,
                unit="fields",
                count=count,
                threshold=0.0,
                alternatives=(f"{CHAIN} converts what it receives", "a field that was misread"),
                decided_by="the same output into another card, with the InfoFrames read again",
            )
    if agreed:
        yield transparent(
            "declared", f"What the output declared is what its codes show: {', '.join(agreed)}.",
            value=0.0, unit="fields", count=count, threshold=0.0,
        )  # fmt: skip


def _decided(
    evidence: PathEvidence,
) -> tuple[dict[str, str | int], dict[str, tuple[str, str]]]:
    """Fields that the codes decide; why they leave the others open, and what would decide."""
    decided: dict[str, str | int] = {}
    silent: dict[str, tuple[str, str]] = {}
    in_file, step = evidence.capture.bits, evidence.code_step
    if evidence.bits_repeated:
        decided["bits"] = 8
    elif step > 1 and in_file >= 10:
        decided["bits"] = 10 - int(np.log2(step))
    elif in_file >= 10 and evidence.declared.get("bits", 10) <= 10:
        decided["bits"] = 10
    else:
        why = f"the file holds {in_file} bits, and the checks look at 10 at most"
        silent["bits"] = why, "a capture in 10 bits of an output of 10 bits or fewer"
    fields = ("range", "matrix", "transfer", "primaries")
    if not evidence.pass_through:
        why = "the codes of a conversion do not decide it"
        return decided, silent | dict.fromkeys(fields, (why, "a pass-through of a known clip"))
    shown, plain = _shown(evidence), evidence.identity is not None
    if not plain:
        found = evidence.explanation
        plain = found.affine and bool(np.count_nonzero(found.used) >= _FEW_COLOURS)
    for name in fields:
        if not plain:
            silent[name] = "the codes follow no plain levels and colours", "the chart through it"
        elif name != "range" and evidence.source.origins.get(name) == "assumed":
            silent[name] = f"nothing says the {name} of the source", "a source that states it"
        else:
            decided[name] = shown[name]
    return decided, silent


@CHECKS.register(
    "metadata", label="HDR metadata against the picture", always=True, of_samples=False
)
def metadata(evidence: PathEvidence) -> Findings:
    """Compare the declared light levels of the source with its own colours."""
    if not evidence.source.is_hdr:
        return  # SDR has none
    declared = evidence.clips[0].metadata if evidence.clips else None
    colours = evidence.of() if evidence.layout is not None else evidence.colours
    seen = len(colours) > 0 or evidence.identity is not None
    if declared is None or not seen or evidence.source.transfer != "pq":
        yield undecided("metadata", "The source declares no HDR metadata.", "a source that does")
        return
    codes = (colours.source + ORIGIN) * 2.0 ** (evidence.source.bits - 10)
    brightest = float(evidence.source.decode_light(codes).max()) if len(colours) else 0.0
    few = evidence.layout is None or evidence.identity is not None
    if few and evidence.source.matrix != "rgb":
        # A pixel's brightest channel is at least as bright as a grey of its luma.
        luma = float(np.flatnonzero(evidence.source_histogram[0] >= _FEW_SAMPLES).max(initial=0))
        grey = np.array([[luma, 512, 512]]) * 2.0 ** (evidence.source.bits - 10)
        brightest = max(brightest, float(evidence.source.decode_light(grey).max()))
    figures = f"the brightest colour found has {brightest:,.0f} cd/m2"
    if declared.max_cll and brightest > _METADATA_SLACK * declared.max_cll:
        yield altered(
            "metadata-max-cll",
            f"The source declares MaxCLL {declared.max_cll} cd/m2, but {figures}; a device that "
            "follows it clips too early.",
            value=brightest,
            unit="cd/m2",
            count=len(colours),
            threshold=_METADATA_SLACK * declared.max_cll,
            alternatives=("metadata left over from another version of the clip",),
            decided_by="the same clip with metadata removed, captured again",
        )
    elif declared.max_cll:
        yield transparent(
            "metadata",
            f"The source declares MaxCLL {declared.max_cll} cd/m2, and {figures}.",
            value=brightest,
            unit="cd/m2",
            count=len(colours),
            threshold=_METADATA_SLACK * declared.max_cll,
        )
    else:
        yield undecided(
            "metadata",
            f"The source declares no MaxCLL; {figures}.",
            "a source that declares it",
            value=brightest,
            unit="cd/m2",
        )
