"""A measured pair brought down: signals as read, greys, colours, curves, coverage."""
