"""The scenario file: what it may hold, how it is read, and the gallery that ships with thenar."""
