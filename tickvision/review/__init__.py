"""The human identifier's desk."""
