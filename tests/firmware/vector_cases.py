"""The script behind `firmware_notes/vectors.csv`: what is done to a board, and when its answer is looked at.

A line is `at_ms what value`. `board` boots a board (its fitted bits, boot number, stored trips as `trips=`,
contacts as they stand), `send` a frame's body, `raw` bytes in hex, `contact` a change, `samples` what the
sensors say from now on (five values, letters, cold junction), `power` off or on. `pins` and `telemetry` are
questions: the output bits now, and the named fields of the next T frame. Times keep clear of every limit
value by what a real board may need; the exact values are tested on the twin.
"""

COLD = "2000 2000 2000 2000 2000 ----- 2100"

READY = """
500 send H,1,1
500 send L,{sid},1,0,30000
500 send L,{sid},2,1,9000
500 send L,{sid},3,2,10500
500 contact arm_button=1
600 contact arm_button=0
"""

CASES = f"""
case greeting: B once after the boot, B and H for every greeting, a new session each time
0 board fitted=31 boots=3
500 send H,1,1
600 telemetry sid,last_seq,trips
1000 send H,1,9

case other protocol: telemetry goes on, no session opens, an open one ends
0 board fitted=31 boots=1
500 send H,1,1
600 send S,{{sid}},1,0,0,0
700 send H,2,255
800 send S,{{sid}},2,0,0,0
900 send S,0,3,0,0,0
1000 telemetry sid

case answer codes: every code, in the order in which they are tested
0 board fitted=31 boots=1
500 send H,1,1
500 send S,{{sid}},1,0,0,16
600 send S,1,5000,1001,0,0
700 send S,1,5000,1,0,0
800 send S,{{sid}},5000,1,0,0
900 send S,{{sid}},2,1,0,0
1000 contact reset_button=1
3100 contact reset_button=0
3200 telemetry trips,resets
3500 send H,1,1
3500 send S,{{sid}},1,1,0,0
3600 contact arm_button=1
3700 contact arm_button=0
3800 send S,{{sid}},2,1,0,4
3900 send L,{{sid}},3,0,30000
4000 send S,{{sid}},4,1,0,4
4100 send S,{{sid}},5,0,1,4
4200 send L,{{sid}},6,1,9000
4300 send L,{{sid}},7,2,10500
4400 send S,{{sid}},8,1,1,4
4500 send S,{{sid}},9,0,0,0

case range of S: duty, flags, a zone that is not fitted
0 board fitted=3 boots=1
500 send H,1,1
600 send S,{{sid}},1,0,0,31
700 send S,{{sid}},2,0,0,32
800 send S,{{sid}},2,1001,0,0
900 send S,{{sid}},2,0,1,0
1000 send S,{{sid}},2,65535,65535,65535
1100 send S,{{sid}},2,0,0,0

case range of L: 3000 to the flash constant, which 0 to 2
0 board fitted=31 boots=1
500 send H,1,1
600 send L,{{sid}},1,0,2999
700 send L,{{sid}},1,0,31001
800 send L,{{sid}},1,1,11001
900 send L,{{sid}},1,2,11001
1000 send L,{{sid}},1,3,5000
1100 send L,{{sid}},1,0,-2147483648
1200 send L,{{sid}},1,0,3000
1300 send L,{{sid}},2,0,31000
1400 send L,{{sid}},3,1,3000
1500 send L,{{sid}},4,2,11000
1600 send H,1,1

case raised limit: only while the zone has no duty
0 board fitted=31 boots=1{READY}
700 send S,{{sid}},4,300,0,4
800 send L,{{sid}},5,0,30001
900 send L,{{sid}},5,0,30000
1000 send L,{{sid}},6,0,29000
1100 send L,{{sid}},7,0,30000
1200 send L,{{sid}},7,1,9500
1300 send S,{{sid}},8,0,0,4
1400 send L,{{sid}},9,0,30000

case sequence window: 1 to 1000 ahead, modulo 65536, shared by S and L
0 board fitted=31 boots=1
500 send H,1,1
600 send S,{{sid}},0,0,0,0
700 send S,{{sid}},1001,0,0,0
800 send S,{{sid}},1000,0,0,0
900 send S,{{sid}},1000,0,0,0
1000 send L,{{sid}},1000,0,30000
1100 send L,{{sid}},1001,0,30000
1200 send S,{{sid}},999,0,0,0
1300 send S,{{sid}},33769,0,0,0
1400 send S,{{sid}},2001,0,0,0
1500 telemetry last_seq

case bad frames: no reply, one count for each start that did not become a frame
0 board fitted=31 boots=1
500 raw {b"!H,1,1*D6A0".hex()}0a
600 raw {b"!H,1,1".hex()}
700 raw {b"!!!H,1*0000".hex()}0a
800 raw {b"no start at all".hex()}0a
900 send S,1,1,-64536,0,0
1000 send S,1,1,66536,0,0
1100 send S,1,1,01,0,0
1200 send S,1,1,0,0
1300 send H,2,1
1400 send H,0,1
1500 send H,1,256
1600 send X,1
1700 send T,1
1750 send H,1,1*0000
1800 raw {("!" + "0" * 200).encode().hex()}
2100 telemetry bad_frames

case half a frame: 50 ms of silence drop it
0 board fitted=31 boots=1
500 raw {b"!H,1,1*E".hex()}
530 raw {b"D59".hex()}0a
800 raw {b"!H,1,1*E".hex()}
870 raw {b"D59".hex()}0a
1000 telemetry bad_frames

case session end: 2.0 s after the last good S or the greeting
0 board fitted=31 boots=1{READY}
700 send S,{{sid}},4,0,0,4
1500 pins
2600 send L,{{sid}},5,0,29000
2650 pins
2750 pins
2800 send S,{{sid}},6,0,0,4
3000 telemetry sid
4000 send H,1,1
5900 send S,{{sid}},1,0,0,0
7850 send S,{{sid}},2,0,0,0
9900 send S,{{sid}},3,0,0,0

case duties: duty 0 acts at once, also in an S that is refused
0 board fitted=31 boots=1{READY}
700 send S,{{sid}},4,1000,0,4
2100 send S,{{sid}},5,1000,0,4
2250 pins
2300 send S,{{sid}},5,0,0,0
2350 pins
2400 send S,{{sid}},6,1000,0,4
4300 send S,{{sid}},7,1000,0,4
4400 pins
4450 send S,9,1,0,0,0
4480 pins

case window: the oven starts it, the tank ends it
0 board fitted=31 boots=1{READY}
700 send S,{{sid}},4,300,600,4
2100 send S,{{sid}},5,300,600,4
3150 pins
3350 pins
3700 pins
4000 send S,{{sid}},6,0,0,0
4050 pins

case arming: a press of 50 ms arms, a trip or an open stop circuit prevents it, every press is counted
0 board fitted=31 boots=1
500 contact arm_button=1
530 contact arm_button=0
600 telemetry inputs,arms,arm_left_s
1000 contact stop_closed=0
1100 contact arm_button=1
1200 contact arm_button=0
1300 telemetry inputs,arms,trips
1600 contact stop_closed=1
1800 contact reset_button=1
4000 contact reset_button=0
4200 telemetry inputs,trips,resets
5000 contact arm_button=1
5200 contact arm_button=0
5500 telemetry inputs,arms,trips

case arm button held since the boot: does not count until it was released
0 board fitted=31 boots=1 arm_button=1
2000 telemetry inputs,arms
2500 contact arm_button=0
2800 contact arm_button=1
3000 telemetry inputs,arms

case arming and silence: 60 s without a good S disarm, the boot counts as one
0 board fitted=31 boots=1
500 contact arm_button=1
700 contact arm_button=0
59500 telemetry inputs
60200 telemetry inputs
61000 contact arm_button=1
61200 contact arm_button=0
61500 telemetry inputs,arms
62000 send H,1,1
62000 send S,{{sid}},1,0,0,0
62500 contact arm_button=1
62700 contact arm_button=0
63000 telemetry inputs,arms

case over limit: two samples at the oven's limit trip, a hold clears 20 degrees below
0 board fitted=31 boots=1{READY}
700 samples 29999 2000 2000 2000 2000 ----- 2100
1500 telemetry trips,oven
2000 samples 30000 2000 2000 2000 2000 ----- 2100
2700 telemetry trips,inputs
3000 samples 28001 2000 2000 2000 2000 ----- 2100
3500 contact reset_button=1
5700 contact reset_button=0
6000 telemetry trips,resets
6500 samples 28000 2000 2000 2000 2000 ----- 2100
7000 contact reset_button=1
9200 contact reset_button=0
9500 telemetry trips,resets

case heater-off of the tank: no trip, clears 3 degrees below
0 board fitted=31 boots=1{READY}
700 send S,{{sid}},4,0,1000,4
2000 send S,{{sid}},5,0,1000,4
2500 pins
2600 samples 2000 2000 9000 2000 2000 ----- 2100
3200 pins
3200 telemetry trips
3500 send S,{{sid}},6,0,1000,4
3600 samples 2000 2000 8701 2000 2000 ----- 2100
5200 send S,{{sid}},7,0,1000,4
5500 pins
5600 samples 2000 2000 8700 2000 2000 ----- 2100
7100 send S,{{sid}},8,0,1000,4
7500 pins

case bad sensor: heat off at the first bad sample, three in a row trip
0 board fitted=31 boots=1{READY}
700 send S,{{sid}},4,1000,0,4
2500 pins
2550 send S,{{sid}},5,1000,0,4
2600 samples 2000 0 2000 2000 2000 -O--- 2100
2900 pins
3500 telemetry trips,faults,oven_limit,outputs

case bad sensor without heat: the zone is unavailable, nothing trips
0 board fitted=31 boots=1
500 samples 0 2000 2000 2000 2000 X---- 2100
5000 telemetry trips,faults,oven

case host trip: flag 16 is stored, survives the power; a hold clears it, the S in flight does not restore it
0 board fitted=31 boots=1
500 send H,1,1
600 send S,{{sid}},1,0,0,16
700 telemetry trips
1000 power off
3000 power on
3500 telemetry trips
4000 contact reset_button=1
5500 send H,1,1
6100 send S,{{sid}},1,0,0,16
6300 telemetry trips,resets
6600 contact reset_button=0
7400 send S,{{sid}},2,0,0,16
7500 telemetry trips,resets

case stop circuit: trips and disarms at once
0 board fitted=31 boots=1{READY}
700 send S,{{sid}},4,1000,0,4
2300 send S,{{sid}},5,1000,0,4
2500 pins
2600 contact stop_closed=0
2650 pins
2700 contact stop_closed=1
3000 telemetry trips,inputs
3300 send S,{{sid}},6,1000,0,4

case contactor: not before it is wanted and armed, heaters 100 ms after it
0 board fitted=31 boots=1
500 send H,1,1
500 send L,{{sid}},1,0,30000
600 send S,{{sid}},2,0,0,4
700 pins
800 contact arm_button=1
900 contact arm_button=0
950 pins
1000 send S,{{sid}},3,0,0,0
1050 pins

case damaged record: two damaged slots boot tripped, one boots with its neighbour's trips
0 board fitted=31 boots=1 slots=damaged,damaged
500 telemetry trips
1000 contact reset_button=1
3200 contact reset_button=0
3500 telemetry trips

case one damaged slot: boots with 256 and what the other one holds
0 board fitted=31 boots=1 trips=64 slots=whole,damaged
500 telemetry trips
"""
