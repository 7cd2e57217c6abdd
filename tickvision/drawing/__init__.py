"""The drawn demo set: invented specimens, drawn from a seed, never for identification."""
