"""The bench plan: a whole comparison in one file, carried out in one go."""
