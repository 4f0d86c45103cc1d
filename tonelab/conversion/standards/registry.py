"""The registry of standard conversions: those whose parameters a published document fixes."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from tonelab.conversion.parameters import Part, parts
from tonelab.errors import UsageError
from tonelab.signal.arrays import FloatArray

Convert: TypeAlias = Callable[..., FloatArray]
Status: TypeAlias = Literal["published", "reconstruction", "partial"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard(Part[Convert]):
    """A standard conversion from linear BT.2020 light to R'G'B' for a BT.1886 display.

    Attributes
    ----------
    status
        ``published`` when every step follows the document; ``partial`` when the document fixes
        some facts and the rest is filled in; ``reconstruction`` when the document gives no
        equations.
    """

    status: Status = "published"

    @property
    def document(self) -> str:
        """The published document."""
        return self.source

    def convert(self, light: FloatArray, *, source_peak: float, **parameters: float) -> FloatArray:
        """Convert light to signal.

        Parameters
        ----------
        light
            Shape (N, 3), linear BT.2020 display light, cd/m2.
        source_peak
            Mastering peak of the source, cd/m2.
        **parameters
            Those of `parameters`; the document's values by default.

        Returns
        -------
        ndarray
            Shape (N, 3), R'G'B' of BT.709 primaries for a BT.1886 display of 100 cd/m2, black 0;
            0..1, or up to 1.09 where the document uses super-white.

        Raises
        ------
        UsageError
            When the peak is not positive, or a parameter is unknown.
        """
        if not source_peak > 0:
            raise UsageError(f"A mastering peak of {source_peak} cd/m2 is not positive.")
        given = self.complete(parameters)
        return self.function(np.asarray(light, np.float64), source_peak=source_peak, **given)


STANDARDS = parts("standard conversion", "tonelab.standards", Standard)
