"""From stored records to arrays, and what the fleet says about noise."""
