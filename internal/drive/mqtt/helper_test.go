package mqtt

// helperJob names what this test program is to do instead of testing, when it is started as another process.
const helperJob = "MQTT_TEST_JOB"

func help(job string) int { return 2 }
