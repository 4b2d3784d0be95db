"""How files of the lake are read as columns of numbers."""
