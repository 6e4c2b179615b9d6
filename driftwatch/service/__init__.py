"""How far each clutch still has to go, as a distribution."""
