"""Pages and figures that convince others."""
