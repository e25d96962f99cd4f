"""A hand's picks: their rays, and help under the cursor."""
