# Thin names for dev.py, which does the work on every operating system.
PYTHON ?= python3

.PHONY: demo test setup bench
demo:
	$(PYTHON) dev.py demo
test:
	$(PYTHON) dev.py test
setup:
	$(PYTHON) dev.py setup
bench:
	$(PYTHON) dev.py bench
