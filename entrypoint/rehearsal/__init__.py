"""Practice: heads to mark by hand, what a mark is worth, and every attempt kept."""
