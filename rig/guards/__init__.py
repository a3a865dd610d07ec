"""Guards: limits on every sample, learned limits, sensor health. Pure functions over samples."""
