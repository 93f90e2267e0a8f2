"""Seeded plates with known truth, photographed by a computed camera under computed lamps. Sees no solver."""
