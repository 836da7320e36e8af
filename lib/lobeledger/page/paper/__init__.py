"""What is printed or saved for a person."""
