"""Pictures: takes a plan and a volume, returns a figure; saving is the caller's."""
