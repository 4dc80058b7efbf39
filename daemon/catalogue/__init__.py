"""Chip types, from data sheets: what a part is, where its values come from, and how to find one."""
