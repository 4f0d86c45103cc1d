"""Results as JSON values, one module for each kind; a measurement's is in `views.document`."""
