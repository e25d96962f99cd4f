"""Faces, holes, edges and points from picks, with their covariance."""
