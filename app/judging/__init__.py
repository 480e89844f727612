"""Marks and findings to a standing. Pure: no audio, no database, no clock; the random generator is passed in."""
