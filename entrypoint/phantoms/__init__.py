"""Analytic heads with exact answers; shares no code with planning."""
