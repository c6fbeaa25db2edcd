"""From two projections of the coronary veins and the lead to points in space. Pure: arrays in, arrays out."""
