"""Boards: which part and which exact content go in each position of a product, planned and taken apart."""
