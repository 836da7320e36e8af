"""What a build is: frozen parts, each value checked when its part is made, and what goes with what."""
