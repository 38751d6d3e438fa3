module example.com/twinplate

go 1.26
