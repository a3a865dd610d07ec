"""From samples to cycles: net deflection, rounding, streaming extraction. Pure functions."""
