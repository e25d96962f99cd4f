"""What to photograph next: coverage, weak targets, targets missed."""
