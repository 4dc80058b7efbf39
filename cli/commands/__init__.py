"""The commands by subject; each file registers its own on the application."""
