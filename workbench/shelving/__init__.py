"""A shelf: a folder of recordings and charts as one catalogue; see its README."""
