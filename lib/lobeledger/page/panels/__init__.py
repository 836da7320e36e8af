"""Live panels for the notebooks."""
