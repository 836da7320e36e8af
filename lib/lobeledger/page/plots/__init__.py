"""Figures as plain data and layout."""
