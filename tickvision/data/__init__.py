"""From what the bench has to a clean manifest and leak-free splits."""
