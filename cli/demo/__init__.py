"""The demonstration: the main job, things going wrong, and a board of two chips, all simulated."""
