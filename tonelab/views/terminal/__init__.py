"""Results as a terminal shows them, the verdict first; `dispatch` finds a result's view."""
