"""The second simulator keeps the contract, the trade's table of causes, and its own truth."""
