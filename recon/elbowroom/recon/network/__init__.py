"""Photos joined and adjusted: first values, observations, the adjustment, its lens model, scale and doubt."""
