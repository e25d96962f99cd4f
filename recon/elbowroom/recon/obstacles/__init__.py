"""Tags made into volumes: outlines, tubes, boxes, bolts, meshes, and their motions."""
