"""What a change was: families of signatures weighed against each other."""
