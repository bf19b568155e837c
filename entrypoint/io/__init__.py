"""Files: the only home of nibabel, JSON, CSV, meshes and paths."""
