"""What goes over HTTP: one model for each thing shown, made from the daemon's values by its `of` method."""
