"""End-point evaluation: one file a method, all answering the same Protocol."""
