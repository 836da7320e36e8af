"""The best lobe that follower, springs and steel allow, and a card against it."""
