"""The demonstration: the main job and three things going wrong, on a simulated programmer."""
