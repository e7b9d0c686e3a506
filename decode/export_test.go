package decode

// FetchByTime is Fetch without the way out of counting from the start.
var FetchByTime = fetchByTime
