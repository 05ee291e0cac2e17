"""What a trip was and what it cost: read from the raw log once, told in plain words, plots, reports and files."""
