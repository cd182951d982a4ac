"""One mill as one record of numbers, with the rates at one size; cards and the mill file."""
