"""Notes and pieces: reading order, generation, ornaments, marks. Pure: no file, no database, no clock."""
