"""Audio decoding, the take store, notation files and engraving. Knows no database."""
