"""A draft or a take lined up with a recording, and what differs."""
