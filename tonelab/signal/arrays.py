"""Names of the arrays that the rooms hand to each other, by what their elements are."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]  # signals, light, means of codes
ComplexArray: TypeAlias = NDArray[np.complex128]  # chroma as Cb + i Cr
IntArray: TypeAlias = NDArray[np.int64]  # counts, sums, frame numbers
CodeArray: TypeAlias = NDArray[np.int32]  # intended codes and places of a chart
Mask: TypeAlias = NDArray[np.bool_]
Plane: TypeAlias = NDArray[np.uint16]  # samples of one channel of a picture, rows first
Planes: TypeAlias = tuple[Plane, Plane, Plane]  # Y', Cb, Cr, or R', G', B'
Picture: TypeAlias = NDArray[np.float32]  # a plane made comparable, rows first
