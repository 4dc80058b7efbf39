"""Programmers: reaching them, knowing them, and doing one thing at a time with each."""
