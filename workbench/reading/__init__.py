"""What a part is made of: form, grooves, variations, fills, sticking, feel."""
