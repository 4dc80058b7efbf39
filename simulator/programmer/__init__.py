"""The virtual programmer: it executes what a host asks for over the wire, in virtual time."""

from simulator.programmer.profile import Profile, full, modest
from simulator.programmer.programmer import VirtualProgrammer

__all__ = ["Profile", "VirtualProgrammer", "full", "modest"]
