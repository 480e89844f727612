"""Frozen models to PDF: score sheet and comment sheet."""
