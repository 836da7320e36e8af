"""What is not known, as draws: values of the sheet, the lobes a card leaves open, and what physics makes of them."""
