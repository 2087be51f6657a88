package queue

import "github.com/redis/go-redis/v9"

// Redis returns the connection of q, so that tests can do to Redis what others might.
func Redis(q *Queue) redis.UniversalClient { return q.redis }

// Name is that of the lane of assessments in Redis.
var Name = assessments.name

// Address returns where the Redis inside the process listens.
func Address(q *Queue) string { return q.embedded.server.Addr() }
