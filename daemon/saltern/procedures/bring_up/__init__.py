"""From a built bench to one that may have acid: twelve steps, each tried by a person, and each on record."""
