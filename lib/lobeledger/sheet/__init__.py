"""What a person writes, read and written safely: build sheets, data tables, readings."""
