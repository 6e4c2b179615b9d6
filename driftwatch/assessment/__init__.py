"""The walk through all blocks, and what is said of each unit."""
