"""The wall screen: a line or the plant, read from across the hall by whoever passes."""
