// A motor over MQTT 3.1.1: an encoder on two interrupt pins, and an H bridge on two
// PWM pins of a board with Wi-Fi. It reports counts and throttle ten times a second,
// and drives what the service commands on the topic "throttle".
//
// FIRST: a hardware cut-off for the motor's supply within reach, and the locomotive
// where it cannot leave the table. Keep fingers from gears and couplings; motors and
// bridges get hot; do not leave lithium packs alone. What this program does is no
// safety device. The makers' instructions, the venue's rules and local codes go before.
//
// It stops the motor by itself: at its start; when no newer command came for 400 ms,
// whatever else the board is doing (a timer of its own sees to that: joining the
// network blocks loop for seconds); and then it drives only after a throttle of 0.
// Pull-downs of 10 kilohms on both PWM pins hold the bridge open while the board resets.
//
// Written for the Arduino core 3 of an ESP32 and the library PubSubClient (MIT).
// The project's tests build this file for a computer and run it against the real
// service; it has not been run on a board by them.
#include <PubSubClient.h>
#include <WiFi.h>

const char *WIFI_NAME = "...", *WIFI_PASSWORD = "...";
const char *BUS = "192.168.1.10";
const int BUS_PORT = 1883;
const char *SITE = "line", *AGENT = "loco-1", *PASSWORD = "...", *MOTOR = "m1";
const int ENCODER_A = 26, ENCODER_B = 27, FORWARD_PIN = 18, BACKWARD_PIN = 19;
const int PWM_HZ = 20000, PWM_BITS = 10;
const uint32_t DEADMAN_MS = 400;    // below the 500 ms that the service counts on

WiFiClient net;
PubSubClient mqtt(net);

volatile int32_t counts = 0;        // written by the interrupt only
volatile int32_t target = 0;        // permille; the timer stops it, loop starts it
volatile uint32_t heardMs = 0;      // when the last command came
volatile bool shut = true;          // drives only after a throttle of 0
int32_t put = 0;                    // what the bridge has; written by the timer only
char commander[65] = "";            // boot of the last command
uint64_t commandSeq = 0;

int64_t busMinusTicks = 0;          // bus time minus the board's own counter
bool clockSet = false;
char boot[16];                      // differs at every start
uint32_t seq = 0;
char body[512];                     // the message being written

int64_t ticks() { return esp_timer_get_time(); }

// One count an edge of A; B says which way.
void IRAM_ATTR encoder() {
  int32_t step = digitalRead(ENCODER_A) == digitalRead(ENCODER_B) ? 1 : -1;
  counts = counts + step;
}

// Every 5 ms, whatever loop does: stops what is not commanded any more, and is the
// only one to write to the bridge.
void drive(void *) {
  // Signed: loop may hear a command between the reading of the clock and of heardMs.
  if (!shut && (int32_t)(millis() - heardMs) >= (int32_t)DEADMAN_MS) {
    shut = true;
    target = 0;
  }
  int32_t duty = shut ? 0 : target;
  if (duty == put) return;
  put = duty;
  uint32_t on = ((uint32_t)(duty < 0 ? -duty : duty) * ((1u << PWM_BITS) - 1) + 500) / 1000;
  ledcWrite(duty > 0 ? BACKWARD_PIN : FORWARD_PIN, 0);
  ledcWrite(duty > 0 ? FORWARD_PIN : BACKWARD_PIN, on);
}

bool say(const char *kind, const char *source) {
  char topic[96];
  snprintf(topic, sizeof topic, "rh/%s/%s/%s", SITE, kind, source);
  return mqtt.publish(topic, body);
}

void listen(const char *kind, const char *source) {
  char topic[96];
  snprintf(topic, sizeof topic, "rh/%s/%s/%s", SITE, kind, source);
  mqtt.subscribe(topic);
}

// The integer behind "name": in a flat JSON object; found says whether it is there.
int64_t number(const char *json, const char *name, bool *found = nullptr) {
  char quoted[24];
  snprintf(quoted, sizeof quoted, "\"%s\":", name);
  const char *at = strstr(json, quoted);
  if (found) *found = at != nullptr;
  return at ? strtoll(at + strlen(quoted), nullptr, 10) : 0;
}

// A command. One that is old, or is none, is left: then the timer stops the motor.
void throttle(const char *json) {
  bool hasDuty, hasSeq;
  int64_t duty = number(json, "duty_permille", &hasDuty);
  uint64_t n = (uint64_t)number(json, "seq", &hasSeq);
  const char *from = strstr(json, "\"boot\":\"");
  if (!hasDuty || !hasSeq || !from || duty < -1000 || duty > 1000) return;
  from += 8;
  size_t length = strcspn(from, "\"");
  if (length == 0 || length >= sizeof commander) return;
  bool same = strlen(commander) == length && strncmp(commander, from, length) == 0;
  if (same && n <= commandSeq) return;
  memcpy(commander, from, length);
  commander[length] = 0;
  commandSeq = n;
  heardMs = millis();
  if (duty == 0) shut = false;
  target = shut ? 0 : (int32_t)duty;
}

void ask() {
  snprintf(body, sizeof body, "{\"t1_us\":%lld}", (long long)(ticks() + busMinusTicks));
  say("ask", AGENT);
}

// The bus told its half of an exchange: the first sets the clock, the others are
// published, and the service corrects by them.
void told(const char *json, int64_t t4) {
  int64_t t1 = number(json, "t1_us"), t2 = number(json, "t2_us"), t3 = number(json, "t3_us");
  if (!t2 || t4 - t1 > 1000000 || t4 < t1) return;  // not an answer to the last question
  if (!clockSet) {
    busMinusTicks += ((t2 - t1) + (t3 - t4)) / 2;
    clockSet = true;
    return;
  }
  snprintf(body, sizeof body,
           "{\"kind\":\"sync\",\"agent\":\"%s\",\"boot\":\"%s\",\"seq\":%lu,\"at_us\":%lld,"
           "\"t1_us\":%lld,\"t2_us\":%lld,\"t3_us\":%lld,\"t4_us\":%lld}",
           AGENT, boot, (unsigned long)++seq, (long long)t4, (long long)t1, (long long)t2, (long long)t3, (long long)t4);
  say("sync", AGENT);
}

void heard(char *topic, uint8_t *payload, unsigned int n) {
  int64_t t4 = ticks() + busMinusTicks;
  char json[256];
  if (n >= sizeof json) return;
  memcpy(json, payload, n);
  json[n] = 0;
  if (strstr(topic, "/throttle/")) throttle(json);
  if (strstr(topic, "/told/")) told(json, t4);
}

// A reading. It is not kept: the next comes in 100 ms, and health says that what did
// not arrive never will.
void reading() {
  int64_t at = ticks() + busMinusTicks;
  snprintf(body, sizeof body,
           "{\"kind\":\"motor\",\"agent\":\"%s\",\"boot\":\"%s\",\"seq\":%lu,\"at_us\":%lld,\"motor\":\"%s\","
           "\"samples\":[{\"at_us\":%lld,\"counts\":%ld,\"duty_permille\":%ld}]}",
           AGENT, boot, (unsigned long)++seq, (long long)at, MOTOR, (long long)at, (long)counts, (long)put);
  say("motor", MOTOR);
}

void health() {
  seq++;
  snprintf(body, sizeof body,
           "{\"kind\":\"health\",\"agent\":\"%s\",\"boot\":\"%s\",\"seq\":%lu,\"at_us\":%lld,\"version\":\"motor.ino 1\","
           "\"rssi_dbm\":%d,\"motors\":[\"%s\"],\"kept_from_seq\":%lu,\"detail\":{\"shut\":%s}}",
           AGENT, boot, (unsigned long)seq, (long long)(ticks() + busMinusTicks), (int)WiFi.RSSI(), MOTOR,
           (unsigned long)seq, shut ? "true" : "false");
  say("health", AGENT);
}

void connectBus() {
  if (WiFi.status() != WL_CONNECTED || !mqtt.connect(AGENT, AGENT, PASSWORD)) { delay(500); return; }
  listen("told", AGENT);
  listen("throttle", MOTOR);
}

void setup() {
  // The bridge first, open, before anything that takes its time.
  ledcAttach(FORWARD_PIN, PWM_HZ, PWM_BITS);
  ledcAttach(BACKWARD_PIN, PWM_HZ, PWM_BITS);
  ledcWrite(FORWARD_PIN, 0);
  ledcWrite(BACKWARD_PIN, 0);
  esp_timer_create_args_t every = {};
  every.callback = drive;
  every.name = "drive";
  esp_timer_handle_t timer;
  esp_timer_create(&every, &timer);
  esp_timer_start_periodic(timer, 5000);
  pinMode(ENCODER_A, INPUT_PULLUP);
  pinMode(ENCODER_B, INPUT_PULLUP);
  attachInterrupt(digitalPinToInterrupt(ENCODER_A), encoder, CHANGE);
  WiFi.begin(WIFI_NAME, WIFI_PASSWORD);
  snprintf(boot, sizeof boot, "b%08lx", (unsigned long)esp_random());
  mqtt.setServer(BUS, BUS_PORT);
  mqtt.setCallback(heard);
  mqtt.setBufferSize(1024);
}

void loop() {
  static uint32_t asked = 0, read = 0, reported = 0, asks = 0;
  if (!mqtt.connected()) { connectBus(); asks = 0; asked = millis() - 10000; return; }
  mqtt.loop();
  uint32_t ms = millis();
  if (ms - asked >= (asks < 10 ? 2000u : 10000u)) { asked = ms; asks++; ask(); }
  if (clockSet && ms - read >= 100u) { read = ms; reading(); }
  if (clockSet && ms - reported >= 5000u) { reported = ms; health(); }
}
