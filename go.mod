module setwitness

go 1.26
