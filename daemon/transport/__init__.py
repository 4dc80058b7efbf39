"""Ways to carry bytes to a programmer: serial port, TCP, USB bulk endpoints, and memory for tests."""
