"""What is wrong with photos, targets and sizes that don't fit, each named."""
