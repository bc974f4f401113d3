"""A report of the last days: one page that needs no network, or one picture."""
