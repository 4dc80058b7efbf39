"""What was done at this bench: found again, given out as tables, saved and put back."""
