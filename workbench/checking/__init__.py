"""A draft or a take laid on a recording, and what differs."""
