"""One lobe on its follower: from a card or from readings, its outline, stress and film."""
