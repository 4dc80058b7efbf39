"""What can be done with a chip in a socket, as calls that each mean one thing to the programmer."""
