"""What sits between chip and socket: adapters for other packages and other places of a signal."""
