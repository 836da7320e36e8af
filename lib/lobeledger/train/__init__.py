"""From lobe to valve: rigid and elastic valvetrains, springs, and the speed at which they let go."""
