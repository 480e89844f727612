"""Fairhearing: blind mock auditions, from the draw to the comment sheet."""
