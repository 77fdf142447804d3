"""Figures, each answering the question in its title."""
