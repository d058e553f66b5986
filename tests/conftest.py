"""What every test session has ready."""

import simulator.plant.compiled  # noqa: F401  # cars run compiled: thirty times as fast, bit-identical
