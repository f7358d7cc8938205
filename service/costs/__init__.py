"""What being wrong costs the house: stated once, used by every decision."""
