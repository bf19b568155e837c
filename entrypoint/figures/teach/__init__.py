"""Teaching figures: seven plates of one idea each, and the same as forms to fill in."""
