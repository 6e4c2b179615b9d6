"""What would have been said at earlier month ends, held against what came later in the same store."""
