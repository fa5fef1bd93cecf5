"""What is on disk: recordings, annotations, charts with their journals."""
