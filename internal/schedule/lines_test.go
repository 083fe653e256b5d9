package schedule

import (
	"strings"
	"testing"
)

// lined is a session of these lines, which begin on line 4.
func lined(lines string) string { return head + "lines = '''\n" + lines + "\n'''\n" }

// goodLines are lines as coaches write them, and what they come to, in words, for a threshold of 1:35 per 100 m in a session in metres.
var goodLines = []struct{ line, words string }{
	{`400 choice, easy`, `400 m at threshold+15 (1:50 per 100), 7:20, "choice"`},
	{`8x25 kick w/ board easy :10 rest`, `8 times 25 m at threshold+15 (1:50 per 100), 0:27.5 each, 0:10 rest after each, "kick, board"`},
	{`10x50 fly/back/breast/free easy rest 10s`, `10 times 50 m at threshold+15 (1:50 per 100), 0:55 each, 0:10 rest after each, "fly, back, breast, free"`},
	{`6 x 100 @1:50/100 rest :15`, `6 times 100 m at 1:50 per 100, 1:50 each, 0:15 rest after each`},
	{`3x(4x50 @ threshold, :10r), 1:00 rest`, `3 times: (4 times 50 m at threshold (1:35 per 100), 0:47.5 each, 0:10 rest after each); 1:00 rest`},
	{`5 x 100 on the 2:00 in 1:35`, `5 times 100 m at 1:35 per 100, 1:35 each, leave every 2:00, 0:25 rest asked`},
	{`8 x 50 free on :60 at 1:30`, `8 times 50 m at 1:30 per 100, 0:45 each, leave every 1:00, 0:15 rest asked, "free"`},
	{`20 x 25 on :40 in :20`, `20 times 25 m at 1:20 per 100, 0:20 each, leave every 0:40, 0:20 rest asked`},
	{`3x300 threshold pace, 30 seconds rest between`, `3 times 300 m at threshold (1:35 per 100), 4:45 each, 0:30 rest after each`},
	{`3x300 at threshold pace r:30`, `3 times 300 m at threshold (1:35 per 100), 4:45 each, 0:30 rest after each`},
	{`2 x 400 "negative split" at 1:50 rest 1:00`, `2 times 400 m at 1:50 per 100, 7:20 each, 1:00 rest after each, "negative split"`},
	{`rest 2 min`, `2:00 rest`},
	{`2 minutes rest`, `2:00 rest`},
	{`take 1:00 rest`, `1:00 rest`},
	{`easy 4:00`, `4:00 at threshold+15 (1:50 per 100), 218 m`},
	{`4 mins easy`, `4:00 at threshold+15 (1:50 per 100), 218 m`},
	{`4' easy`, `4:00 at threshold+15 (1:50 per 100), 218 m`},
	{`5 x 3' at threshold, 45" rest`, `5 times 3:00 at threshold (1:35 per 100), 189 m each, 0:45 rest after each`},
	{`1'30" easy`, `1:30 at threshold+15 (1:50 per 100), 82 m`},
	{`warm down 200 easy`, `Cool-down: 200 m at threshold+15 (1:50 per 100), 3:40`},
	{`300 warm up easy`, `Warm-up: 300 m at threshold+15 (1:50 per 100), 5:30`},
	{`300 loosen easy`, `300 m at threshold+15 (1:50 per 100), 5:30, "loosen"`},
	{`6 x 100 at threshold - 2, rest :20`, `6 times 100 m at threshold-2 (1:33 per 100), 1:33 each, 0:20 rest after each`},
	{`6 x 100 threshold-2 r :20`, `6 times 100 m at threshold-2 (1:33 per 100), 1:33 each, 0:20 rest after each`},
	{`8 x 50 at 1:40, rest 0:20, "long strokes"`, `8 times 50 m at 1:40 per 100, 0:50 each, 0:20 rest after each, "long strokes"`},
	{`1500 at threshold+10`, `1500 m at threshold+10 (1:45 per 100), 26:15`},
	{`1 km easy`, `1000 m at threshold+15 (1:50 per 100), 18:20`},
	{`ladder 50-100-150-200 at threshold rest :15`, `50 m at threshold (1:35 per 100), 0:47.5; 0:15 rest; 100 m at threshold (1:35 per 100), 1:35; 0:15 rest; 150 m at threshold (1:35 per 100), 2:22.5; 0:15 rest; 200 m at threshold (1:35 per 100), 3:10; 0:15 rest`},
	{`pyramid: 50/100/150/100/50 at threshold rest :15`, `pyramid: 50 m at threshold (1:35 per 100), 0:47.5; 0:15 rest; pyramid: 100 m at threshold (1:35 per 100), 1:35; 0:15 rest; pyramid: 150 m at threshold (1:35 per 100), 2:22.5; 0:15 rest; pyramid: 100 m at threshold (1:35 per 100), 1:35; 0:15 rest; pyramid: 50 m at threshold (1:35 per 100), 0:47.5; 0:15 rest`},
	{`50-100-150-100-50 easy`, `50 m at threshold+15 (1:50 per 100), 0:55; 100 m at threshold+15 (1:50 per 100), 1:50; 150 m at threshold+15 (1:50 per 100), 2:45; 100 m at threshold+15 (1:50 per 100), 1:50; 50 m at threshold+15 (1:50 per 100), 0:55`},
	{`descend 4 x 100 from 1:50 to 1:40, rest :15`, `4 times 100 m at 1:50 per 100, each 3.33 s per 100 faster than the one before, the last at 1:40 per 100, 1:50 down to 1:40, 0:15 rest after each`},
	{`4 x 100 at 1:50 to 1:40 descend, rest :15`, `4 times 100 m at 1:50 per 100, each 3.33 s per 100 faster than the one before, the last at 1:40 per 100, 1:50 down to 1:40, 0:15 rest after each`},
	{`4 x 100 descend 1-4 from 1:50 to 1:40, rest :15`, `4 times 100 m at 1:50 per 100, each 3.33 s per 100 faster than the one before, the last at 1:40 per 100, 1:50 down to 1:40, 0:15 rest after each`},
	{`8 x 100 descend 1-4, 5-8 from 1:50 to 1:40 rest :10`, `2 times: 4 times 100 m at 1:50 per 100, each 3.33 s per 100 faster than the one before, the last at 1:40 per 100, 1:50 down to 1:40, 0:10 rest after each`},
	{`4 x 100 at 1:50 descend 2 sec each`, `4 times 100 m at 1:50 per 100, each 2 s per 100 faster than the one before, the last at 1:44 per 100, 1:50 down to 1:44`},
	{`4 x 100 at 1:50, each 2 s faster, rest :10`, `4 times 100 m at 1:50 per 100, each 2 s per 100 faster than the one before, the last at 1:44 per 100, 1:50 down to 1:44, 0:10 rest after each`},
	{`4 x 50 in :50 descend 1 s, rest :10`, `4 times 50 m at 1:40 per 100, each 2 s per 100 faster than the one before, the last at 1:34 per 100, 0:50 down to 0:47, 0:10 rest after each`},
	{`4 x 50 in :50 descend by 1 s, rest :10`, `4 times 50 m at 1:40 per 100, each 2 s per 100 faster than the one before, the last at 1:34 per 100, 0:50 down to 0:47, 0:10 rest after each`},
	{`400 build from 2:00 to 1:45`, `400 m from 2:00 to 1:45 per 100, 7:28`},
	{`2 x (4 x 50 at 1:50, rest :10) rest 1:00`, `2 times: (4 times 50 m at 1:50 per 100, 0:55 each, 0:10 rest after each); 1:00 rest`},
	{`(200 easy, 100 at 1:50) x 3`, `3 times: 200 m at threshold+15 (1:50 per 100), 3:40; 100 m at 1:50 per 100, 1:50`},
	{`3 sets of 5 x 100 at 1:45 rest :15`, `3 times: 5 times 100 m at 1:45 per 100, 1:45 each, 0:15 rest after each`},
	{`four x 100 easy`, `4 times 100 m at threshold+15 (1:50 per 100), 1:50 each`},
	{`4 x 100 m at 1:50/100 m rest :20`, `4 times 100 m at 1:50 per 100, 1:50 each, 0:20 rest after each`},
	{`4 x 100 at 1:50 pace, rest :20`, `4 times 100 m at 1:50 per 100, 1:50 each, 0:20 rest after each`},
	{`4 x 100 at a 1:50 pace, rest :20`, `4 times 100 m at 1:50 per 100, 1:50 each, 0:20 rest after each`},
	{`4 x 100 at pace 1:50, rest :20`, `4 times 100 m at 1:50 per 100, 1:50 each, 0:20 rest after each`},
	{`4 x 100 pace 1:50, rest :20`, `4 times 100 m at 1:50 per 100, 1:50 each, 0:20 rest after each`},
	{`open at 1:50 up to 5:00`, `open at 1:50 per 100, until somebody says on, at most 5:00`},
	{`swim open at 1:50`, `open at 1:50 per 100, until somebody says on, "swim"`},
	{`400 IM at 2:00`, `400 m at 2:00 per 100, 8:00, "IM"`},
	{`4 x 100 im order at 2:00`, `4 times 100 m at 2:00 per 100, 2:00 each, "im"`},
	{`200 at easy+5`, `200 m at threshold+20 (1:55 per 100), 3:50`},
	{`200 at easy pace`, `200 m at threshold+15 (1:50 per 100), 3:40`},
	{`200 easy pace`, `200 m at threshold+15 (1:50 per 100), 3:40`},
	{`6 x 100 at css-2s, rest :20`, `6 times 100 m at threshold-2 (1:33 per 100), 1:33 each, 0:20 rest after each`},
	{`6 x 100 at css+3 sec, rest :20`, `6 times 100 m at threshold+3 (1:38 per 100), 1:38 each, 0:20 rest after each`},
	{`6 x 100 at threshold + 3, rest :20`, `6 times 100 m at threshold+3 (1:38 per 100), 1:38 each, 0:20 rest after each`},
	{`6 x 100 threshold + 50 easy`, `6 times 100 m at threshold (1:35 per 100), 1:35 each; 50 m at threshold+15 (1:50 per 100), 0:55`},
	{`200 easy # nice`, `200 m at threshold+15 (1:50 per 100), 3:40`},
	{`200 easy // nice`, `200 m at threshold+15 (1:50 per 100), 3:40`},
	{"•\t200 easy", `200 m at threshold+15 (1:50 per 100), 3:40`},
	{`* 200 easy`, `200 m at threshold+15 (1:50 per 100), 3:40`},
	{`200 easy; rest :30; 200 easy`, `200 m at threshold+15 (1:50 per 100), 3:40; 0:30 rest; 200 m at threshold+15 (1:50 per 100), 3:40`},
	{`400yds easy`, `400 yd at threshold+13.72 (1:40.6 per 100 yd), 6:42.3`},
	{`4 x 100 y easy`, `4 times 100 yd at threshold+13.72 (1:40.6 per 100 yd), 1:40.6 each`},
	{`6 x 100 at threshold; rest :20`, `6 times 100 m at threshold (1:35 per 100), 1:35 each; 0:20 rest`},
	{`5 x 100 at 1:50, 10 s rest, then 200 easy`, `5 times 100 m at 1:50 per 100, 1:50 each, 0:10 rest after each; 200 m at threshold+15 (1:50 per 100), 3:40`},
	{`6 x 100 at threshold to threshold-6, rest :20`, `6 times 100 m from threshold (1:35 per 100) to threshold-6 (1:29 per 100), 1:31.9 each, 0:20 rest after each`},
	{`Warm-up 400 easy`, `Warm-up: 400 m at threshold+15 (1:50 per 100), 7:20`},
	{`Warm-up - 400 easy`, `Warm-up: 400 m at threshold+15 (1:50 per 100), 7:20`},
	{`Main - 4 x 100 easy`, `Main: 4 times 100 m at threshold+15 (1:50 per 100), 1:50 each`},
	{`1) 400 easy`, `400 m at threshold+15 (1:50 per 100), 7:20`},
	{`6 x 100 with 20 s rest at threshold`, `6 times 100 m at threshold (1:35 per 100), 1:35 each, 0:20 rest after each`},
	{`6 x 100 at threshold w/ 20 s rest`, `6 times 100 m at threshold (1:35 per 100), 1:35 each, 0:20 rest after each`},
	{`6 x 100 at threshold w 20 s rest`, `6 times 100 m at threshold (1:35 per 100), 1:35 each, 0:20 rest after each`},
	{`6 x 100 at threshold +2, rest :20`, `6 times 100 m at threshold+2 (1:37 per 100), 1:37 each, 0:20 rest after each`},
	{`6 x 100 at threshold +2s/100, rest :20`, `6 times 100 m at threshold+2 (1:37 per 100), 1:37 each, 0:20 rest after each`},
	{`6 x 100 at threshold+2 s per 100, rest :20`, `6 times 100 m at threshold+2 (1:37 per 100), 1:37 each, 0:20 rest after each`},
	{`6 x 100 at 2 s faster than threshold, rest :20`, `6 times 100 m at threshold-2 (1:33 per 100), 1:33 each, 0:20 rest after each`},
	{`6 x 100, threshold, :20 rest`, `6 times 100 m at threshold (1:35 per 100), 1:35 each, 0:20 rest after each`},
	{`400 at 1:50`, `400 m at 1:50 per 100, 7:20`},
	{`4:00 at 2:20`, `4:00 at 2:20 per 100, 171 m`},
	{`6 x 100 at threshold-2, rest :20`, `6 times 100 m at threshold-2 (1:33 per 100), 1:33 each, 0:20 rest after each`},
	{`8 x 50 on 1:10 at 1:40`, `8 times 50 m at 1:40 per 100, 0:50 each, leave every 1:10, 0:20 rest asked`},
	{`12 x 50 on 1:00 in 0:42`, `12 times 50 m at 1:24 per 100, 0:42 each, leave every 1:00, 0:18 rest asked`},
	{`3 x (200 at threshold+4, rest :15; 50 at threshold-6, rest :30)`, `3 times: 200 m at threshold+4 (1:39 per 100), 3:18; 0:15 rest; 50 m at threshold-6 (1:29 per 100), 0:44.5; 0:30 rest`},
	{`2 x (3 x (50 at 1:40, rest :10), rest 1:00)`, `2 times: (3 times: 50 m at 1:40 per 100, 0:50; 0:10 rest; 1:00 rest)`},
	{`400 at 1:50 to 1:40`, `400 m from 1:50 to 1:40 per 100, 6:59`},
	{`9 x 100 descend 1-3 from threshold+6 to threshold, rest :15`, `3 times: 3 times 100 m at threshold+6 (1:41 per 100), each 3 s per 100 faster than the one before, the last at threshold (1:35 per 100), 1:41 down to 1:35, 0:15 rest after each`},
	{`5 x 100 at 1:50 descend 2 s`, `5 times 100 m at 1:50 per 100, each 2 s per 100 faster than the one before, the last at 1:42 per 100, 1:50 down to 1:42`},
	{`50-100-150-100-50 at threshold, rest :15`, `50 m at threshold (1:35 per 100), 0:47.5; 0:15 rest; 100 m at threshold (1:35 per 100), 1:35; 0:15 rest; 150 m at threshold (1:35 per 100), 2:22.5; 0:15 rest; 100 m at threshold (1:35 per 100), 1:35; 0:15 rest; 50 m at threshold (1:35 per 100), 0:47.5; 0:15 rest`},
	{`open at 1:45`, `open at 1:45 per 100, until somebody says on`},
	{`open at 1:45, at most 10:00`, `open at 1:45 per 100, until somebody says on, at most 10:00`},
	{`rest open`, `rest until somebody says on`},
	{`rest 1:00`, `1:00 rest`},
	{`Warm-up: 300 easy`, `Warm-up: 300 m at threshold+15 (1:50 per 100), 5:30`},
	{`Main: Fifties: 8 x 50 on 1:10 at 1:40`, `Main, Fifties: 8 times 50 m at 1:40 per 100, 0:50 each, leave every 1:10, 0:20 rest asked`},
	{`6 x 50 drill "one arm" at 2:20`, `Drill: 6 times 50 m at 2:20 per 100, 1:10 each, "one arm"`},
	{`4 x 50 kick "board" at 2:40`, `4 times 50 m at 2:40 per 100, 1:20 each, "kick board"`},
	{`100 yd at 1:40`, `100 yd at 1:40 per 100 yd, 1:40`},
	{`100 at 1:40/100yd`, `100 m at 1:40 per 100 yd, 1:49.4`},
	{`1:05:00 at 2:00`, `1:05:00 at 2:00 per 100, 3250 m`},
	{`100 at :58.2`, `100 m at 0:58.2 per 100, 0:58.2`},
	{`100 at 1.2 m/s`, `100 m at 1.2 m/s (1:23.3 per 100), 1:23.3`},
	{`6 x 100 at threshold+2.5, rest :20`, `6 times 100 m at threshold+2.5 (1:37.5 per 100), 1:37.5 each, 0:20 rest after each`},
	{`4 x 100 at 1:50 descend 1.5 s`, `4 times 100 m at 1:50 per 100, each 1.5 s per 100 faster than the one before, the last at 1:45.5 per 100, 1:50 down to 1:45.5`},
	{`4 x 25 at 20 s`, `4 times 25 m at 0:20 per 100, 0:05 each`},
	{`6 x 1 min at 1:50, rest 30 s`, `6 times 1:00 at 1:50 per 100, 55 m each, 0:30 rest after each`},
	{`6 × 100 m at 1:50, rest :20`, `6 times 100 m at 1:50 per 100, 1:50 each, 0:20 rest after each`},
	{`6 x 100 at threshold–2, rest :20`, `6 times 100 m at threshold-2 (1:33 per 100), 1:33 each, 0:20 rest after each`},
	{`8 x 100, odd at threshold+5, even at threshold-2, rest :20`, `4 times: 100 m at threshold+5 (1:40 per 100), 1:40; 0:20 rest; 100 m at threshold-2 (1:33 per 100), 1:33; 0:20 rest`},
	{`8 x 50 odds easy evens threshold`, `4 times: 50 m at threshold+15 (1:50 per 100), 0:55; 50 m at threshold (1:35 per 100), 0:47.5`},
	{`6 x 50 alternate easy, threshold, rest :15`, `3 times: 50 m at threshold+15 (1:50 per 100), 0:55; 0:15 rest; 50 m at threshold (1:35 per 100), 0:47.5; 0:15 rest`},
	{`6 x 50 alternating at 1:50 and 1:40 on 1:10`, `3 times: (50 m at 1:50 per 100, 0:55; what follows starts 1:10 after it); (50 m at 1:40 per 100, 0:50; what follows starts 1:10 after it)`},
	{`8 x 50 alternating easy and threshold`, `4 times: 50 m at threshold+15 (1:50 per 100), 0:55; 50 m at threshold (1:35 per 100), 0:47.5`},
	{`50, 100, 150, 200 at threshold+2, rest :15`, `50 m at threshold+2 (1:37 per 100), 0:48.5; 0:15 rest; 100 m at threshold+2 (1:37 per 100), 1:37; 0:15 rest; 150 m at threshold+2 (1:37 per 100), 2:25.5; 0:15 rest; 200 m at threshold+2 (1:37 per 100), 3:14; 0:15 rest`},
	{`2 x (50, 100 at threshold, rest :15)`, `2 times: 50 m at threshold (1:35 per 100), 0:47.5; 0:15 rest; 100 m at threshold (1:35 per 100), 1:35; 0:15 rest`},
	{`200, 100 m easy`, `200 m at threshold+15 (1:50 per 100), 3:40; 100 m at threshold+15 (1:50 per 100), 1:50`},
	{`400 build at 2:00 to 1:45`, `400 m from 2:00 to 1:45 per 100, 7:28`},
	{`4 x 200 on 5:00 from 1:40 to 1:16`, `4 times 200 m at 1:40 per 100, each 8 s per 100 faster than the one before, the last at 1:16 per 100, 3:20 down to 2:32, leave every 5:00, 1:40 to 2:28 rest asked`},
	{`4 x 200 at 1:40 to 1:16`, `4 times 200 m from 1:40 to 1:16 per 100, 2:52.7 each`},
	{`200-150-100-50 descend from 1:32 to 1:20, rest :20`, `200 m at 1:32 per 100, 3:04; 0:20 rest; 150 m at 1:28 per 100, 2:12; 0:20 rest; 100 m at 1:24 per 100, 1:24; 0:20 rest; 50 m at 1:20 per 100, 0:40; 0:20 rest`},
	{`50-100-150 ascend from threshold-4 to threshold`, `50 m at threshold-4 (1:31 per 100), 0:45.5; 100 m at threshold-2 (1:33 per 100), 1:33; 150 m at threshold (1:35 per 100), 2:22.5`},
	{`1 x 200 at 1:30`, `once: 200 m at 1:30 per 100, 3:00`},
	{`3 x 500 yd at 1:20 to 1:12`, `3 times 500 yd from 1:20 to 1:12 per 100 yd, 6:18.9 each`},
	{`4 x 50 ascend from 1:30 to 1:45, rest :15`, `4 times 50 m at 1:30 per 100, each 5 s per 100 slower than the one before, the last at 1:45 per 100, 0:45 up to 0:52.5, 0:15 rest after each`},
	{`4 x 100 at 1:40 ascend 2 s, rest :10`, `4 times 100 m at 1:40 per 100, each 2 s per 100 slower than the one before, the last at 1:46 per 100, 1:40 up to 1:46, 0:10 rest after each`},
	{`4 x 100 at 1:40, each 2 s slower`, `4 times 100 m at 1:40 per 100, each 2 s per 100 slower than the one before, the last at 1:46 per 100, 1:40 up to 1:46`},
	{`6 x 100 ascend 1-3 from threshold to threshold+6`, `2 times: 3 times 100 m at threshold (1:35 per 100), each 3 s per 100 slower than the one before, the last at threshold+6 (1:41 per 100), 1:35 up to 1:41`},
	{`4 x 1:00 ascend from 1:30 to 1:45`, `4 times 1:00 at 1:30 per 100, each 5 s per 100 slower than the one before, the last at 1:45 per 100, 67 m down to 57 m`},
	{`ascend 4 x 50 from 1:30 to 1:45`, `4 times 50 m at 1:30 per 100, each 5 s per 100 slower than the one before, the last at 1:45 per 100, 0:45 up to 0:52.5`},
	{`4 x 50 dr "one arm" easy`, `Drill: 4 times 50 m at threshold+15 (1:50 per 100), 0:55 each, "one arm"`},
	{`4x50 K at 2:30`, `4 times 50 m at 2:30 per 100, 1:15 each, "kick"`},
	{`200 PL easy`, `200 m at threshold+15 (1:50 per 100), 3:40, "pull"`},
	{`4 x 100 at T+15, rest :15`, `4 times 100 m at threshold+15 (1:50 per 100), 1:50 each, 0:15 rest after each`},
	{`5 x 100 on 1:55 at T-2`, `5 times 100 m at threshold-2 (1:33 per 100), 1:33 each, leave every 1:55, 0:22 rest asked`},
	{`10 x 100 T`, `10 times 100 m at threshold (1:35 per 100), 1:35 each`},
	{`MS: 6 x 100 at 1:38, r :15`, `Main: 6 times 100 m at 1:38 per 100, 1:38 each, 0:15 rest after each`},
	{`Warm-up: 400 at 2:00, drill "catch-up"`, `Drill, Warm-up: 400 m at 2:00 per 100, 8:00, "catch-up"`},
	{`Warm-up: Fins: 400 drill easy`, `Drill, Fins: 400 m at threshold+15 (1:50 per 100), 7:20`},
	{`200 KICK "Big Splash" easy`, `200 m at threshold+15 (1:50 per 100), 3:40, "KICK Big Splash"`},
	{`6 x 100 at threshold, rest :20; rest 1:00`, `6 times 100 m at threshold (1:35 per 100), 1:35 each, 0:20 rest after each; 1:00 rest, with the 0:20 before it 1:20`},
	{`6 x 100 on 2:00 at threshold; rest 1:00`, `6 times 100 m at threshold (1:35 per 100), 1:35 each, leave every 2:00, 0:25 rest asked; 1:00 rest`},
	{`2 x (50; 50) at threshold`, `2 times: 50 m at threshold (1:35 per 100), 0:47.5; 50 m at threshold (1:35 per 100), 0:47.5`},
}

// badLines are lines as coaches write and mistype them, which could mean two things or nothing, each with the column and what is said.
var badLines = []struct{ line, want string }{
	{`6 x 50 @ 1:10`, `8: @: this has two meanings: write at 1:10 for a pace of 1:10 per 100, or on 1:10 where each one leaves 1:10 after the one before`},
	{`6x100 @ 1:50, 15s rest`, `7: @: this has two meanings: write at 1:50 for a pace of 1:50 per 100, or on 1:50 where each one leaves 1:50 after the one before`},
	{`200 swim, 200 kick, 200 pull easy`, `1: 200: a pace is missing: write "200 at 1:50" or "200 at threshold+5", or "200 in" and its time
11: 200: a pace is missing: write "200 at 1:50" or "200 at threshold+5", or "200 in" and its time`},
	{`4x50 (25 drill / 25 swim) easy`, `6: (: brackets hold sets, and stand behind their number, as in 3 x (200 at 1:50; 50 at 1:40); a remark goes in quotes`},
	{`100 easy, 100 moderate, 100 hard`, `15: moderate: this word is not known here: a pace is written "at 1:50" or "at threshold+5", or named under [paces] as moderate = "threshold+5"
29: hard: this word is not known here: a pace is written "at 1:50" or "at threshold+5", or named under [paces] as hard = "threshold+5"`},
	{`5 x 100 on 2:00, holding 1:35`, `18: holding: this can mean two things: write at 1:40 for a pace per 100, in 1:40 for the time of one repetition`},
	{`10x100 on 1:50 (1:35)`, `16: (: brackets hold sets, and stand behind their number, as in 3 x (200 at 1:50; 50 at 1:40); a remark goes in quotes`},
	{`3x300 at threshold pace r30`, `26: 30: minutes or seconds? Write rest :30 or rest 30:00`},
	{`2 x 400 negative split at 1:50 rest 1:00`, `9: negative: this is swum at more than one pace: write both, as in build 1:50 to 1:40 within each swim, or descend from 1:50 to 1:40 from one to the next`},
	{`10 x 100 at 1:45 on 2:00 (:15 rest)`, `26: (: brackets hold sets, and stand behind their number, as in 3 x (200 at 1:50; 50 at 1:40); a remark goes in quotes`},
	{`4 x 100 at 90% rest :15`, `12: 90: a share of a pace means different things: write seconds beside the threshold, as in at threshold+5`},
	{`12x25 sprint on 1:00`, `7: sprint: this word is not known here: a pace is written "at 1:50" or "at threshold+5", or named under [paces] as sprint = "threshold+5"`},
	{`8 x 50 at 1:40, rest 0:20 - long strokes`, `27: -: this sign means nothing here: a set is written 6 x 100 at 1:50, rest :20; a remark goes in quotes`},
	{`1,500 at threshold+10`, `1: 1,500: write 1500 without a comma; a list of distances is written 1-500`},
	{`2k easy`, `2: k: write the whole number: 2000`},
	{`4 x 100 at 1:40,5 rest :20`, `12: 1:40,5: a decimal is written with a point here: write 1:40.5; or a blank after the comma, if that was not meant`},
	{`4 x 100 at 1.40 rest :20`, `12: 1.40: a time is written with a colon: write at 1:40`},
	{`4 x 100 at 1:40 rest 20`, `22: 20: minutes or seconds? Write rest :20 or rest 20:00`},
	{`4 x 100 rest :20`, `5: 100: a pace is missing: write "100 at 1:50" or "100 at threshold+5", or "100 in" and its time`},
	{`4 x 100 on 2:00`, `5: 100: a pace is missing: write "100 at 1:50" or "100 at threshold+5", or "in" and the time of one; on is when the next one starts`},
	{`4 x 100 1:50 rest :20`, `9: 1:50: what is this time? Write at 1:50 for a pace per 100, in 1:50 for the time of one repetition, on 1:50 for a send-off, or rest 1:50`},
	{`100 at treshold`, `8: treshold: did you mean threshold? This word is not known here`},
	{`100 at 1:4`, `8: 1:4: this is no time: allowed is minutes:seconds with two digits after the colon, as in 4:00, 1:40.5, :20 or 1:05:00`},
	{`100 at 1:75`, `8: 1:75: this is no time: allowed is minutes:seconds with two digits after the colon, as in 4:00, 1:40.5, :20 or 1:05:00`},
	{`0 x 100 at 1:50`, `1: 0: a set is swum a whole number of times, from 1 to 10000`},
	{`6.5 x 100 at 1:50`, `1: 6.5: a set is swum a whole number of times, from 1 to 10000`},
	{`6 x at 1:50`, `5: at: here a distance, a time or open is expected, as in 400 at 1:50, 4:00 at 2:20 or open at 1:45; remarks go in quotes behind it`},
	{`x 100 at 1:50`, `1: x: here a distance, a time or open is expected, as in 400 at 1:50, 4:00 at 2:20 or open at 1:45; remarks go in quotes behind it`},
	{`3 x (200 at 1:50; 50 at 1:40`, `5: (: this bracket is not closed: its ) is missing`},
	{`200 at 1:50)`, `12: ): no bracket is open here: leave this ) out, or put its ( before the first set that belongs to it`},
	{`3 x ()`, `5: (: nothing stands in these brackets: write sets in them, as in 3 x (200 at 1:50; 50 at 1:40)`},
	{`8 x 100 descend 1-3 from 1:50 to 1:40`, `9: descend: 8 repetitions do not make whole groups of 3`},
	{`50-100-150 at 1:50 descend 2 s`, `20: descend: swims of different lengths take two paces, first and last, as in 50-100-150 descend from 1:50 to 1:40`},
	{`50-100-150 descend from 1:40 to 1:50`, `33: 1:50: descend goes from slower to faster: the second pace has to be the faster one; the other way round write ascend`},
	{`3 x 100 at race pace, 1:05 each, rest 2:00`, `12: race: this word is not known here: a pace is written "at 1:50" or "at threshold+5", or named under [paces] as race = "threshold+5"
23: 1:05: what is this time? Write at 1:05 for a pace per 100, in 1:05 for the time of one repetition, on 1:05 for a send-off, or rest 1:05`},
	{`4 x 100 descend`, `9: descend: by how much? Write descend 2 s beside a pace, or descend from 1:50 to 1:40`},
	{`4 x 100 at 1:50 descend 2`, `25: 2: write descend 2 s where each one is that much faster than the one before, or descend 1-2`},
	{`400 building`, `5: building: from which pace to which? Write build 1:50 to 1:40`},
	{`6 x 50 build to threshold`, `8: build: from which pace to which? Write build 1:50 to 1:40`},
	{`Main set (3 times through): 100 easy`, `19: through: write 3 x ( before all that is swum three times, and ) behind it
27: :: this sign means nothing here: a set is written 6 x 100 at 1:50, rest :20; a remark goes in quotes`},
	{`Total: 2000 m`, `1: Total: this is not swum: write # before what is only to be read`},
	{`Total 2000 m`, `1: Total: this is not swum: write # before what is only to be read`},
	{`Notes: stay long`, `1: Notes: this is not swum: write # before what is only to be read`},
	{`3 times: 100 easy`, `8: :: here a distance, a time or open is expected, as in 400 at 1:50, 4:00 at 2:20 or open at 1:45; remarks go in quotes behind it`},
	{`5 rounds: 100 easy, 50 at 1:40`, `3: rounds: what belongs to a round stands in brackets, as in 3 x (200 at 1:50; 50 at 1:40)`},
	{`4 x 100 at 1:50 per 50`, `21: 50: a pace is per 100: write at and the time for 100, or in and the time of one repetition`},
	{`rest till ready`, `1: rest: a time is missing behind this, as in rest 1:10 or rest :20; rest open is a rest until somebody says on`},
	{`rest as needed`, `6: as: a time is missing behind this, as in rest 1:10 or rest :20; rest open is a rest until somebody says on`},
	{`open`, `1: open: a pace is missing: write "open at 1:50" or "open at threshold+5"`},
	{`100 at 0:15`, `8: 0:15: as a pace this is 0:15 per 100 m: allowed is 0:20 to 20:00 per 100 m`},
	{`100 at 25:00`, `8: 25:00: as a pace this is 25:00 per 100 m: allowed is 0:20 to 20:00 per 100 m`},
	{`100 at threshold+130`, `18: 130: seconds beside a pace: allowed are up to 120, with up to three decimals`},
	{`200 easy -- nice`, `10: -: seconds are missing behind this, as in threshold-2; a remark goes in quotes`},
	{`8 x 50 odds easy evens fast`, `24: fast: this word is not known here: a pace is written "at 1:50" or "at threshold+5", or named under [paces] as fast = "threshold+5"`},
	{`300 (100 swim, 100 kick, 100 pull) easy`, `5: (: brackets hold sets, and stand behind their number, as in 3 x (200 at 1:50; 50 at 1:40); a remark goes in quotes`},
	{`A) 400 easy`, `2: ): no bracket is open here: leave this ) out, or put its ( before the first set that belongs to it`},
	{`6 x 100 at 1:35 - 1:40, rest :15`, `17: -: two paces are written with to, as in at 1:50 to 1:40`},
	{`6 x 100 between 1:35 and 1:40`, `17: 1:35: what is this time? Write at 1:35 for a pace per 100, in 1:35 for the time of one repetition, on 1:35 for a send-off, or rest 1:35`},
	{`6 x 100 on 1:50 base`, `17: base: this word is not known here: a pace is written "at 1:50" or "at threshold+5", or named under [paces] as base = "threshold+5"`},
	{`6 x 100 at 2 s over threshold, rest :20`, `16: over: write threshold+2 for slower, threshold-2 for faster`},
	{`6 x 100: threshold, rest :20`, `8: :: this sign means nothing here: a set is written 6 x 100 at 1:50, rest :20; a remark goes in quotes`},
	{`6 x 100 = threshold, rest :20`, `9: =: this means nothing here: totals are worked out; write # before what is only to be read`},
	{`25 easy, turn, 25 easy`, `10: turn: this word is not known here: a remark goes in quotes, "turn"`},
	{`100 at 58.2`, `8: 58.2: minutes or seconds? Write at :58.2 or at 58:12`},
	{`3 x 100 on 1:30 at 1:40`, `12: on 1:30: a round takes 1:40 at the asked paces, rests included: allowed is that or more`},
	{`3 x 100 in 1:35 at 1:40`, `12: 1:35: in and at both give the pace: leave one out`},
	{`4 x :30 in :30`, `12: :30: in belongs to a distance: write at and a pace per 100`},
	{`50-100 in 1:00`, `11: 1:00: one time does not fit distances of different lengths: write at and a pace per 100`},
	{`50-100 on 2:00 at 1:40`, `11: 2:00: one send-off does not fit swims of different lengths: give them rests, or write each as 1 x 50 on 1:00 at 1:50`},
	{`400 descend 2 s at 1:50`, `5: descend: descend belongs to repetitions, as in 6 x 100 at 1:50 descend 2 s; within one swim write build 1:50 to 1:40`},
	{`6 x 100 descend from 1:40 to 1:50`, `30: 1:50: descend goes from slower to faster: the second pace has to be the faster one; the other way round write ascend`},
	{`6 x 100 descend from threshold to 1:50`, `35: 1:50: both paces of a descend or ascend are of one kind: both beside the threshold, or both times per 100 of one unit`},
	{`6 x 100 at 1:50 descend 90 s`, `17: descend: each one comes to 90 seconds per 100 faster: allowed is more than 0, at most 60`},
	{`rest :20 at 1:50`, `13: 1:50: a rest has no pace: the water comes to rest`},
	{`3 x rest :20`, `1: 3: a rest alone is not repeated: write one time, or put it into the set, as in 6 x 100 at 1:50, rest :20`},
	{`rest`, `1: rest: a time is missing behind this, as in rest 1:10 or rest :20; rest open is a rest until somebody says on`},
	{`rest 13:00:00`, `6: 13:00:00: allowed is 0:00.1 to 12:00:00`},
	{`"long"`, `1: "long": here a distance, a time or open is expected, as in 400 at 1:50, 4:00 at 2:20 or open at 1:45; remarks go in quotes behind it`},
	{`at 1:50`, `1: at: here a distance, a time or open is expected, as in 400 at 1:50, 4:00 at 2:20 or open at 1:45; remarks go in quotes behind it`},
	{`6 x 100 at 1:50, rest :20, rest :30`, `28: rest: a second rest: one is enough; a rest behind the whole set is a line of its own`},
	{`6 x 100 at 1:50 at 1:40`, `20: 1:40: a second pace: one is enough, or two as in at 1:50 to 1:40; in turns, odd at 1:50, even at 1:40`},
	{`8 x 100, "odd" easy, "even" threshold`, `29: threshold: a second pace: one is enough, or two as in at 1:50 to 1:40; in turns, odd at 1:50, even at 1:40`},
	{`6 x 100 at 1:50 to 1:40 to 1:30`, `25: to: a third pace: allowed are two, as in at 1:50 to 1:40`},
	{`6 x 100 at`, `9: at: a pace is missing behind this, as in at 1:50 or at threshold+5`},
	{`6 x 100 at 1:50, rest`, `18: rest: a time is missing behind this, as in rest 1:10 or rest :20; rest open is a rest until somebody says on`},
	{`6 x 100 at 1:50 on`, `17: on: a time is missing behind this, as in on 1:10 or on :20`},
	{`100 at 1:50, at most 2:00`, `17: most: at most belongs to what is open, as in open at 1:45, at most 6:00`},
	{`2 x (2 x (2 x (2 x (100 at 1:50))))`, `16: 2: sets stand in each other 5 deep: allowed are 4`},
	{`100 at 1:50 "never closed`, `13: "never closed: the remark that begins here is not closed: write "…" around it, on one line`},
	{`100 at 1:50 ""`, `13: "": there is nothing between these quotes: write a remark, or leave them out`},
	{`100 at 0.03 m/s`, `8: 0.03: allowed is more than 0.05, at most 5 m/s`},
	{`100 at 1:50 $`, `13: $: this sign means nothing here: a set is written 6 x 100 at 1:50, rest :20; a remark goes in quotes`},
	{`0 at 1:50`, `1: 0: a distance is more than 0, at most 100 km`},
	{`100001 at 1:50`, `1: 100001: a distance is more than 0, at most 100 km`},
	{`:00 at 1:50`, `1: :00: allowed is 0:00.1 to 12:00:00`},
	{`200 m/yd easy`, `5: m/yd: this word is not known here: a remark goes in quotes, "m/yd"`},
	{`in 0:42`, `1: in: here a distance, a time or open is expected, as in 400 at 1:50, 4:00 at 2:20 or open at 1:45; remarks go in quotes behind it`},
	{`6 x 100 at 1:50 in`, `17: in: a time is missing behind this, as in in 1:10 or in :20`},
	{`6 x 100 to 1:40`, `9: to: to stands between two paces, as in at 1:50 to 1:40`},
	{`6 x 100 from 1:50`, `9: from: to which pace? Write descend from 1:50 to 1:40`},
	{`6 x 100 at 1:50, open`, `18: open: open stands in place of a distance or time, as in open at 1:45; or behind rest, as in rest open`},
	{`200 at 1:50 m`, `13: m: a unit stands behind a distance, as in 400 m`},
	{`Main: Fifties: Hundreds: 400 easy`, `16: Hundreds: a second name: one is enough`},
	{`6 x 100 at 1:50, Main: 50 easy`, `22: :: this sign means nothing here: a set is written 6 x 100 at 1:50, rest :20; a remark goes in quotes`},
	{`10001 x 100 easy`, `1: 10001: a set is swum a whole number of times, from 1 to 10000`},
	{`6 x 100 at threshold+1.23456`, `22: 1.23456: seconds beside a pace: allowed are up to 120, with up to three decimals`},
	{`8 x 100, odd easy`, `10: odd: write odd at 1:50, even at 1:40 or alternate at 1:50, 1:40, behind an even number of repetitions of one swim; anything else that takes turns is written in pairs, as in 4 x (100 at 1:50; 100 at 1:40)`},
	{`7 x 100, odd easy, even threshold`, `20: even: pairs need an even number of repetitions, as in 8 x 100 odd at 1:50, even at 1:40`},
	{`8 x 100 at 1:40, odd easy, even threshold`, `28: even: the set has another pace as well: leave one out; anything else that takes turns is written in pairs, as in 4 x (100 at 1:50; 100 at 1:40)`},
	{`8 x 50, odd drill, even swim`, `9: odd: write odd at 1:50, even at 1:40 or alternate at 1:50, 1:40, behind an even number of repetitions of one swim; anything else that takes turns is written in pairs, as in 4 x (100 at 1:50; 100 at 1:40)`},
	{`8 x 50 odd 1:50, even 1:40`, `8: odd: write odd at 1:50, even at 1:40 or alternate at 1:50, 1:40, behind an even number of repetitions of one swim; anything else that takes turns is written in pairs, as in 4 x (100 at 1:50; 100 at 1:40)`},
	{`8 x 50 odd easy to threshold, even easy`, `8: odd: write odd at 1:50, even at 1:40 or alternate at 1:50, 1:40, behind an even number of repetitions of one swim; anything else that takes turns is written in pairs, as in 4 x (100 at 1:50; 100 at 1:40)`},
	{`odd easy, even threshold`, `1: odd: here a distance, a time or open is expected, as in 400 at 1:50, 4:00 at 2:20 or open at 1:45; remarks go in quotes behind it`},
	{`100, odd easy, even threshold`, `16: even: pairs need an even number of repetitions, as in 8 x 100 odd at 1:50, even at 1:40`},
	{`8 x 50 alternate`, `8: alternate: write odd at 1:50, even at 1:40 or alternate at 1:50, 1:40, behind an even number of repetitions of one swim; anything else that takes turns is written in pairs, as in 4 x (100 at 1:50; 100 at 1:40)`},
	{`8 x 50 alternate easy`, `8: alternate: write odd at 1:50, even at 1:40 or alternate at 1:50, 1:40, behind an even number of repetitions of one swim; anything else that takes turns is written in pairs, as in 4 x (100 at 1:50; 100 at 1:40)`},
	{`9 x 50 alternate easy, threshold, 1:50`, `35: 1:50: what is this time? Write at 1:50 for a pace per 100, in 1:50 for the time of one repetition, on 1:50 for a send-off, or rest 1:50`},
	{`8 x (50; 50) alternate easy, threshold`, `14: alternate: write odd at 1:50, even at 1:40 or alternate at 1:50, 1:40, behind an even number of repetitions of one swim; anything else that takes turns is written in pairs, as in 4 x (100 at 1:50; 100 at 1:40)`},
	{`8 x 50 alternate drill, swim`, `8: alternate: write odd at 1:50, even at 1:40 or alternate at 1:50, 1:40, behind an even number of repetitions of one swim; anything else that takes turns is written in pairs, as in 4 x (100 at 1:50; 100 at 1:40)`},
	{`8 x 50 evens fast, odds easy`, `14: fast: this word is not known here: a pace is written "at 1:50" or "at threshold+5", or named under [paces] as fast = "threshold+5"`},
	{`50, 100, 150, rest :15`, `1: 50: a pace is missing: write "50 at 1:50" or "50 at threshold+5", or "50 in" and its time; distances that share a pace are written 50-100-150 at 1:50
5: 100: a pace is missing: write "100 at 1:50" or "100 at threshold+5", or "100 in" and its time
10: 150: a pace is missing: write "150 at 1:50" or "150 at threshold+5", or "150 in" and its time`},
	{`4 x 50, 100 at threshold`, `5: 50: a pace is missing: write "50 at 1:50" or "50 at threshold+5", or "50 in" and its time`},
	{`3 x`, `3: x: what is swum 3 times stands in brackets: write 3 x ( here, each set on a line of its own, and ) behind the last; or indent those lines`},
	{`Main: 3 x`, `9: x: what is swum 3 times stands in brackets: write 3 x ( here, each set on a line of its own, and ) behind the last; or indent those lines`},
	{"3 x (100 easy\n2 x\n100 easy)", "f:5:3: x: what is swum 2 times stands in brackets: write 2 x ( here, each set on a line of its own, and ) behind the last; or indent those lines"},
	{`4 x 50 ascend`, `8: ascend: by how much? Write ascend 2 s beside a pace, or ascend from 1:40 to 1:50`},
	{`4 x 50 at 1:40 ascend 2`, `23: 2: write ascend 2 s where each one is that much slower than the one before, or ascend 1-2`},
	{`4 x 50 ascend from 1:45 to 1:30`, `28: 1:30: ascend goes from faster to slower: the second pace has to be the slower one; the other way round write descend`},
	{`ascend 1:40`, `1: ascend: here a distance, a time or open is expected, as in 400 at 1:50, 4:00 at 2:20 or open at 1:45; remarks go in quotes behind it`},
	{`4 x 50 at 1:40 ascend 2 s descend 1 s`, `27: descend: a second descend or ascend: one is enough`},
	{`8 x 50p easy`, `7: p: did you mean pull? Or, for a pace, at 1:50`},
	{`4 x 50k easy`, `7: k: write the whole number: 50000; or, for kick, 50 kick`},
	{`8 x 50 p easy`, `8: p: did you mean pull? Or, for a pace, at 1:50`},
	{`8 x 50 build, on 1:10`, `8: build: from which pace to which? Write build 1:50 to 1:40`},
	{`200 at threshold+4 negative split`, `20: negative: this is swum at more than one pace: write both, as in build 1:50 to 1:40 within each swim, or descend from 1:50 to 1:40 from one to the next`},
	{`2 x 200 broken at threshold`, `9: broken: write its parts in brackets, as in 2 x (50 at 1:40, rest :10; 50 at 1:40, rest :30)`},
	{`6 x 100 hard`, `9: hard: this word is not known here: a pace is written "at 1:50" or "at threshold+5", or named under [paces] as hard = "threshold+5"`},
	{`6 x 100 smooth at 1:50, rest 15`, `9: smooth: this word is not known here: a remark goes in quotes, "smooth"
30: 15: minutes or seconds? Write rest :15 or rest 15:00`},
	{`4 x 50, rest 15`, `5: 50: a pace is missing: write "50 at 1:50" or "50 at threshold+5", or "50 in" and its time
14: 15: minutes or seconds? Write rest :15 or rest 15:00`},
	{`4 x 50 on 60, rest 15`, `5: 50: a pace is missing: write "50 at 1:50" or "50 at threshold+5", or "in" and the time of one; on is when the next one starts
11: 60: minutes or seconds? Write on 1:00 or on 1:00:00
20: 15: minutes or seconds? Write rest :15 or rest 15:00`},
	{`4 x 50 easy r15 smooth`, `14: 15: minutes or seconds? Write rest :15 or rest 15:00
17: smooth: this word is not known here: a remark goes in quotes, "smooth"`},
	{`6 x 100 @ 1:50, rest 20`, `9: @: this has two meanings: write at 1:50 for a pace of 1:50 per 100, or on 1:50 where each one leaves 1:50 after the one before
22: 20: minutes or seconds? Write rest :20 or rest 20:00`},
	{`100 treshold, 100 eesy`, `5: treshold: did you mean threshold? This word is not known here
19: eesy: did you mean easy? This word is not known here`},
	{`6 x 100 at 1:40,5 rest 20`, `12: 1:40,5: a decimal is written with a point here: write 1:40.5; or a blank after the comma, if that was not meant
24: 20: minutes or seconds? Write rest :20 or rest 20:00`},
	{`5 x 100 on 2:00 holding 1:35 rest 5`, `17: holding: this can mean two things: write at 1:40 for a pace per 100, in 1:40 for the time of one repetition
35: 5: minutes or seconds? Write rest :05 or rest 5:00`},
	{`4x50 (25 drill / 25 swim) easy, rest 15`, `6: (: brackets hold sets, and stand behind their number, as in 3 x (200 at 1:50; 50 at 1:40); a remark goes in quotes
38: 15: minutes or seconds? Write rest :15 or rest 15:00`},
	{`8 x (50; 50) odd easy, even threshold`, `24: even: write odd at 1:50, even at 1:40 or alternate at 1:50, 1:40, behind an even number of repetitions of one swim; anything else that takes turns is written in pairs, as in 4 x (100 at 1:50; 100 at 1:40)`},
}

func TestGoodLines(t *testing.T) {
	for _, row := range goodLines {
		s, err := Parse("f", []byte(lined(row.line)))
		if err != nil {
			t.Errorf("%s\n%v", row.line, err)
			continue
		}
		var words []string
		for _, e := range s.Explain(threshold135()) {
			words = append(words, e.Words)
		}
		if got := strings.Join(words, "; "); got != row.words {
			t.Errorf("%s\n got %s\nwant %s", row.line, got, row.words)
		}
	}
}

func TestBadLines(t *testing.T) {
	for _, row := range badLines {
		_, err := Parse("f", []byte(lined(row.line)))
		if err == nil {
			t.Errorf("%s: accepted", row.line)
			continue
		}
		if got := strings.ReplaceAll(err.Error(), "f:4:", ""); got != row.want {
			t.Errorf("%s\n got %s\nwant %s", row.line, got, row.want)
		}
	}
	if len(goodLines)+len(badLines) < 250 {
		t.Errorf("only %d lines left", len(goodLines)+len(badLines))
	}
}

// A heading, a bracket too many and a comment may be the last that there is, without the end of a line behind them.
func TestTheLastLineNeedsNoEnd(t *testing.T) {
	for _, last := range []string{"Main:", "Main", "main set", "100 easy )", "100 easy ) x", ")", "Main: )", "# x", "Main: # x", "(", "2 x (100 easy", "2 x ("} {
		for _, before := range []string{"", "100 easy\n"} {
			whole, errWhole := Parse("f", []byte(lined(before+last+"\n")))
			bare, err := Parse("f", []byte("format = 1\ntitle = \"T\"\nlines = '''\n"+before+last+"'''\n"))
			if (err == nil) != (errWhole == nil) || err == nil && shape(bare.steps) != shape(whole.steps) || err != nil && errWhole.Error() != err.Error() {
				t.Errorf("%q: %v, with the end of a line %v", before+last, err, errWhole)
			}
		}
	}
}
