"""Further questions to one mill: heat, circuit, wear, why, and the review before it is built."""
