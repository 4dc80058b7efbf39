"""`romwright conformance`: a device on a port, judged by the wire's text."""
