"""The type of many samples at once."""

import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.float64]
"""An (n, ROW_WIDTH) matrix of samples, or one column of it; units as ``rules.channels`` says."""
