"""What a builder of a programmer computes and looks up: levels of a circuit, wiring of packages."""
