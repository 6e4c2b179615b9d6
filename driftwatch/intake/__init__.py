"""Files in: readers, mappings for wide files, and the rules by which a row cannot be right."""
