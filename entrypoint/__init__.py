"""Frontal cranial entry-point geometry with its uncertainty, for planning and teaching only."""
