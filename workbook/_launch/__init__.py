"""What workbook/open.py and tests/run.py share. Standard library only: it runs before any install."""
