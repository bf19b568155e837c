"""Anatomy: landmarks, the head frame, the midsagittal plane, the coronal suture."""
