"""Words and rounding; computes nothing."""
