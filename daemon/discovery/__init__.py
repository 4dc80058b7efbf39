"""Which ports may have a programmer, and when one comes or goes."""

from daemon.discovery.ports import Candidate, PortEnumerator, PortSettings, enumerate_ports
from daemon.discovery.watcher import PortWatcher

__all__ = ["Candidate", "PortEnumerator", "PortSettings", "PortWatcher", "enumerate_ports"]
