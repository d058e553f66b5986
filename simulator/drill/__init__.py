"""Drills: people drive a simulated car whose fault is hidden from them."""
