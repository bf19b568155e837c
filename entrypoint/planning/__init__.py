"""Planning: pure functions, values in and values out."""
