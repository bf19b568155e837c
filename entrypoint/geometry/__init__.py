"""Geometry: numpy and scipy only. No files, no anatomy, no Hounsfield units."""
