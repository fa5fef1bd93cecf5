"""How well drafts agree with reference annotations."""
