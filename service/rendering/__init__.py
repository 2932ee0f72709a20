"""How an answer looks outside of JSON: tables. It computes nothing and knows no record."""
