"""Ovenhand minds a tempering oven and a quench-oil tank; see DEVELOPERS.md for how it is built."""
