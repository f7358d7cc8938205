"""The parts counter: the queue, one case's offers side by side, stock, suppliers and what they deliver."""
