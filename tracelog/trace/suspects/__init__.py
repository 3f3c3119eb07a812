"""The suspect window: since when a defect may have been made, and on which pallets it may lie."""
