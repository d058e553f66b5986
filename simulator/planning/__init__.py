"""What a spray system needs and can do, reckoned before anything is bought, poured or driven."""
