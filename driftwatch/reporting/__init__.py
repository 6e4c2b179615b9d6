"""Reports for the fleet manager, the shop and the owner: words and pictures, no statistics."""
