"""The pack families that forecasts can be asked for."""
