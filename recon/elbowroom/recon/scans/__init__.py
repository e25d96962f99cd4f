"""A scan as an obstacle: read, laid into the world, refined, thinned."""
