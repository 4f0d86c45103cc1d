"""Figures of a measured pair: distances from the standards, residuals, hue, gradients."""
