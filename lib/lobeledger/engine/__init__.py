"""What the cylinder makes of a lobe: crank and valve events, breathing, filling, torque."""
