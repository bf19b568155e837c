"""Volumes: grid, voxels, surfaces, bone along a ray. No files and no nibabel."""
