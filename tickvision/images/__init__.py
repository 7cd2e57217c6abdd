"""The one door for pictures: decode, prepare, hash, quality."""
