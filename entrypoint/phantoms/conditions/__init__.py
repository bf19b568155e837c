"""What can be planted in a head: one small module a kind."""
