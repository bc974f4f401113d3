"""The machine, in the words of the bench."""
