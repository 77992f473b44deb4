"""The limb maps as data, and how they are drawn (source)."""
