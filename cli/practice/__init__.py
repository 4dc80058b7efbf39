"""Working without hardware: a person's hands on a simulated programmer."""
