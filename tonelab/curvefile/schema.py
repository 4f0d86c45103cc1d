"""Where each part of a measurement stands in a curve file, and what its numbers mean."""

from __future__ import annotations

from typing import NamedTuple

SCHEMA_VERSION = 1


class Column(NamedTuple):
    """Unit, description and dimension names of one dataset.

    For a table the dimensions name its rows; the columns of the class that a row is need no
    dimension of their own.
    """

    unit: str
    description: str
    dims: tuple[str, ...] = ()


# Part of a measurement -> its path in the file.
PLACES: dict[str, str] = {
    "device": "device/name",
    "firmware": "device/firmware",
    "settings": "device/settings",
    "notes": "device/notes",
    "source": "source",
    "capture": "capture",
    "pairing": "pairing",
    "findings": "findings",
    "tallies": "tallies",
    "luminance_curve": "curves/luminance",
    "chroma_transfer": "curves/chroma",
    "landmarks": "curves/landmarks",
    "conversion": "conversion",
    "scores": "scores",
    "provenance": "provenance",
}

# Class and field -> what it holds. Every field of every class in tonelab.results stands here.
COLUMNS: dict[str, dict[str, Column]] = {
    "Measurement": {
        "device": Column("", "Name of the device that was measured"),
        "firmware": Column("", "Its firmware, as the person stated it"),
        "settings": Column("", "Settings of the device during the capture", ("setting",)),
        "notes": Column("", "Notes of the person on chain and circumstances"),
        "source": Column("", "The HDR clip as decoded from the file that was played"),
        "capture": Column("", "The clip recorded at the output of the device"),
        "pairing": Column("", "How source and capture were registered"),
        "findings": Column("", "What was seen, and what it rests on", ("finding",)),
        "tallies": Column("", "Exact integer counts and sums; everything else follows from them"),
        "luminance_curve": Column("", "Luminance transfer of neutrals"),
        "chroma_transfer": Column("", "Hue rotation and chroma ratio in the Cb/Cr plane"),
        "landmarks": Column("", "Named points of the luminance curve", ("landmark",)),
        "conversion": Column("", "The identified HDR-to-SDR conversion"),
        "scores": Column("", "Distances from the standard conversions", ("standard",)),
        "provenance": Column("", "Files, tools and circumstances of this measurement"),
    },
    "Signal": {
        "matrix": Column("", "Y'CbCr matrix"),
        "range": Column("", "narrow or full range"),
        "transfer": Column("", "Transfer function"),
        "primaries": Column("", "Primaries of R, G and B"),
        "bits": Column("bit", "Bit depth of the codes"),
        "siting": Column("", "Position of chroma samples"),
        "peak": Column("cd/m2", "Peak of the assumed display (HLG: nominal peak)"),
        "black": Column("cd/m2", "Black of the assumed display"),
        "origins": Column("", "Where each field comes from", ("field",)),
    },
    "ClipFacts": {
        "name": Column("", "File name"),
        "container": Column("", "Container format"),
        "codec": Column("", "Coding of the picture"),
        "width": Column("px", "Picture width"),
        "height": Column("px", "Picture height"),
        "rate": Column("1/s", "Frame rate as a fraction"),
        "frames": Column("1", "Number of frames"),
        "subsampling": Column("", "Chroma subsampling"),
        "signal": Column("", "How the code values are read"),
        "sha256": Column("", "SHA-256 of the file"),
        "planes_sha256": Column("", "SHA-256 of row fingerprints (NH) of the decoded planes used"),
        "mastering_peak": Column("cd/m2", "Peak of the mastering display; NaN when not stated"),
        "mastering_black": Column("cd/m2", "Black of the mastering display; NaN when not stated"),
        "max_cll": Column("cd/m2", "Maximum content light level; NaN when not stated"),
        "max_fall": Column("cd/m2", "Maximum frame-average light level; NaN when not stated"),
        "code_range": Column("code", "Smallest and largest code seen", ("plane", "end")),
    },
    "PairingFacts": {
        "method": Column("", "What the registration rests on"),
        "scale": Column("1", "Capture pixels per source pixel", ("axis",)),
        "offset": Column("px", "Capture position of the source's first pixel", ("axis",)),
        "residual": Column("px", "RMS distance of the registration marks after the fit"),
        "first_frame": Column("1", "Source frame seen in the first usable capture frame"),
        "used": Column("1", "Capture frames used"),
        "left_out": Column("1", "Capture frames left out, by reason", ("reason",)),
    },
    "Finding": {
        "id": Column("", "Stable short name"),
        "severity": Column("", "stop, warning or info"),
        "text": Column("", "One sentence for people"),
        "value": Column("see column unit", "Measured value; NaN when there is none"),
        "bound": Column("see column unit", "Uncertainty or floor of the value"),
        "unit": Column("", "Unit of value, bound and threshold"),
        "count": Column("1", "Samples behind the value"),
        "threshold": Column("see column unit", "Value that triggers the finding"),
        "alternatives": Column("", "JSON list of explanations the data do not exclude"),
        "decided_by": Column("", "Capture that would decide"),
        "verdict": Column("", "transparent, not transparent, cannot tell, or nothing"),
    },
    "LuminanceCurve": {
        "source_code": Column("code", "Source luma code, mean of decoded samples", ("point",)),
        "luminance": Column("cd/m2", "Source light", ("point",)),
        "code": Column("code", "Mean capture luma code", ("point",)),
        "smooth": Column("code", "Monotone smooth curve through the mean codes", ("point",)),
        "low": Column("code", "Lower edge of the 95 % band of the smooth curve", ("point",)),
        "high": Column("code", "Upper edge of the 95 % band of the smooth curve", ("point",)),
        "count": Column("1", "Samples behind each point", ("point",)),
        "clipped": Column("", "Whether the capture sits on a clip: a bound", ("point",)),
    },
    "ChromaTransfer": {
        "hue": Column("deg", "Centre of each hue bin in the source Cb/Cr plane", ("hue",)),
        "level": Column("code", "Centre of each level, 10-bit narrow luma", ("level",)),
        "rotation": Column("deg", "Hue rotation, positive counter-clockwise", ("hue", "level")),
        "ratio": Column("1", "Chroma of the capture over chroma of the source", ("hue", "level")),
        "rotation_bound": Column("deg", "Half width of the 95 % interval", ("hue", "level")),
        "ratio_bound": Column("1", "Half width of the 95 % interval", ("hue", "level")),
        "count": Column("1", "Patches behind each cell", ("hue", "level")),
    },
    "Landmark": {
        "id": Column("", "Stable short name"),
        "label": Column("", "Name for people"),
        "luminance": Column("cd/m2", "Source light; NaN when not reached"),
        "code": Column("code", "Capture luma code; NaN when not reached"),
        "output": Column("cd/m2", "Light of that code on the assumed display"),
        "bound": Column("code", "Half width of the 95 % interval of the code"),
    },
    "ParameterEstimate": {
        "value": Column("see column unit", "Fitted value"),
        "low": Column("see column unit", "Lower end of the 95 % interval"),
        "high": Column("see column unit", "Upper end of the 95 % interval"),
        "unit": Column("", "Unit of value, low and high"),
        "identifiable": Column("", "Whether this capture determines the parameter"),
        "note": Column("", "Why not, or what else to know"),
    },
    "RunnerUp": {
        "description": Column("", "The structure or family that lost"),
        "held_out_codes_rms": Column("code", "Its RMS residual on held-out patches"),
    },
    "IdentifiedConversion": {
        "family": Column("", "Published tone family; empty when none earns its name"),
        "family_label": Column("", "The same for people"),
        "parameters": Column("", "Parameters of the tone curve", ("parameter",)),
        "drive": Column("", "Quantity the tone curve is applied to"),
        "order": Column("", "Order of tone curve and gamut matrix"),
        "chroma": Column("", "Chroma law"),
        "gamut": Column("", "Gamut conversion"),
        "encoding": Column("", "Output encoding"),
        "controls": Column("", "Picture controls in Y'CbCr", ("control",)),
        "residual_codes_rms": Column("code", "RMS residual over Y', Cb and Cr, fitted patches"),
        "held_out_codes_rms": Column("code", "RMS residual over Y', Cb and Cr, held-out patches"),
        "floor_codes_rms": Column("code", "What quantisation alone causes"),
        "neutral_codes_rms": Column("code", "RMS residual on neutrals"),
        "free_codes_rms": Column("code", "RMS residual of the free monotone curve, held out"),
        "count": Column("1", "Patches fitted"),
        "held_out_count": Column("1", "Patches held out"),
        "runners_up": Column("", "What lost, and by how much", ("runner-up",)),
        "static": Column("", "Whether the conversion depends on the scene"),
        "notes": Column("", "What else to know", ("note",)),
        "structure": Column("", "The fitted chain in full"),
        "correlations": Column("", "How the fitted parameters hang together", ("pair",)),
        "display_gamma": Column("", "Residual by assumed display gamma and drive", ("trial",)),
    },
    "Correlation": {
        "first": Column("", "A fitted parameter"),
        "second": Column("", "Another"),
        "value": Column("1", "Their correlation, -1 to 1"),
    },
    "GammaPoint": {
        "drive": Column("", "Drive and order; the identified chain first"),
        "exponent": Column("1", "Assumed exponent of the display"),
        "codes_rms": Column("code", "RMS residual over Y', Cb and Cr of colours, free curve"),
    },
    "Score": {
        "standard": Column("", "Short name of the standard conversion"),
        "label": Column("", "The same for people"),
        "mean": Column("ΔE_ITP", "Mean colour difference"),
        "median": Column("ΔE_ITP", "Median colour difference"),
        "p95": Column("ΔE_ITP", "95th percentile of the colour difference"),
        "p99": Column("ΔE_ITP", "99th percentile of the colour difference"),
        "max": Column("ΔE_ITP", "Largest colour difference"),
        "floor": Column("ΔE_ITP", "Mean colour difference that quantisation alone causes"),
        "luminance_error": Column("%", "Mean absolute error of output luminance, neutrals"),
        "codes_rms": Column("code", "RMS difference over Y', Cb and Cr"),
        "count": Column("1", "Colours compared"),
        "display": Column("", "The assumed display"),
        "ciede2000": Column("CIEDE2000", "Mean colour difference, white of the display"),
        "ciede2000_floor": Column("CIEDE2000", "Mean that quantisation alone causes"),
    },
    "Tallies": {
        "layout": Column("", "Descriptor of the chart layout: the meaning of the patch rows"),
    },
}

TALLY_TABLES: dict[str, Column] = {
    "source_histogram": Column("1", "Samples per source code", ("plane", "code")),
    "capture_histogram": Column("1", "Samples per capture code", ("plane", "code")),
    "patch_frames": Column("1", "Capture frames in which each patch was read", ("patch",)),
    "patch_count_source": Column("1", "Source samples summed", ("patch", "plane")),
    "patch_count_capture": Column("1", "Capture samples summed", ("patch", "plane")),
    "patch_sum_source": Column("code", "Sum of source codes", ("patch", "plane")),
    "patch_sum_capture": Column("code", "Sum of capture codes", ("patch", "plane")),
    "patch_square_source": Column("code^2", "Sum of squared source codes", ("patch", "plane")),
    "patch_square_capture": Column("code^2", "Sum of squared capture codes", ("patch", "plane")),
    "patch_frame_square_capture": Column(
        "code^2", "Sum over frames of the squared frame sum", ("patch", "plane")
    ),
    "tone_count": Column("1", "Flat, nearly neutral places per source luma code", ("code",)),
    "tone_sum_source": Column("code", "Sum of their source codes", ("code", "plane")),
    "tone_sum_capture": Column("code", "Sum of their capture codes", ("code", "plane")),
    "tone_square_capture": Column("code^2", "Sum of squared capture codes", ("code", "plane")),
    "scene_light": Column("1", "Source luma samples of each shot", ("shot", "level")),
    "scene_count": Column("1", "Neutral samples of each shot", ("shot", "level")),
    "scene_sum_source": Column("code", "Sum of their source codes", ("shot", "level")),
    "scene_sum_capture": Column("code", "Sum of their capture codes", ("shot", "level")),
    "cell_count": Column("1", "Flat places per cell of the source colour lattice", ("cell",)),
    "cell_sum_source": Column("code", "Sum of their source codes", ("cell", "plane")),
    "cell_sum_capture": Column("code", "Sum of their capture codes", ("cell", "plane")),
    "cell_square_capture": Column("code^2", "Sum of squared capture codes", ("cell", "plane")),
}

# Provenance that belongs to the run and not to what was measured: no part of the content hash.
RUN_ONLY = frozenset({"time", "duration", "host", "processor", "platform", "system", "command"})
