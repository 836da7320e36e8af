"""Sentences and tables, made of results."""
