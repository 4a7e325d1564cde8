// A gate over MQTT 3.1.1: a light beam on an interrupt pin of a board with
// Wi-Fi. No clock chip is needed: the board asks the bus for the time (topics
// "ask" and "told"), and publishes each exchange, so that the service can put
// its instants right. A crossing is kept until the journal says that it has it
// (topic "stored"); crossings before the first connection are kept as well.
//
// Written for the Arduino core of an ESP32 and the library PubSubClient (MIT).
// Beam: receiver output to BEAM_PIN, LOW while the beam is broken, 3.3 V. Keep
// supply and currents within what the board's maker states.
//
// The project's tests build this file for a computer and run it against the
// real service; it has not been run on a board by them.
#include <PubSubClient.h>
#include <WiFi.h>

const char *WIFI_NAME = "...", *WIFI_PASSWORD = "...";
const char *BUS = "192.168.1.10";
const int BUS_PORT = 1883;
const char *SITE = "line", *AGENT = "shed-1", *PASSWORD = "...", *GATE = "g1";
const int BEAM_PIN = 27;

WiFiClient net;
PubSubClient mqtt(net);

// Crossings kept until they are stored. head is written by the interrupt only,
// tail and sent by loop only; all three count on for ever.
struct Crossing { uint32_t seq; int64_t ticks; bool enter; };
const uint32_t RING = 256;
Crossing ring[RING];
volatile uint32_t head = 0;         // next to be filled
volatile uint32_t tail = 0;         // oldest kept
uint32_t sent = 0;                  // next to be sent
volatile uint32_t nextSeq = 1, dropped = 0;

int64_t busMinusTicks = 0;          // bus time minus the board's own counter
bool clockSet = false;
char boot[16];                      // differs at every start
char body[512];                     // the message being written

// Microseconds since the board started. The instant of a crossing is taken
// here, in the interrupt, never when it is sent.
int64_t IRAM_ATTR ticks() { return esp_timer_get_time(); }

void IRAM_ATTR beam() {
  if (head - tail >= RING) { dropped = dropped + 1; return; }
  Crossing &c = ring[head % RING];
  c.ticks = ticks();
  c.enter = digitalRead(BEAM_PIN) == LOW;
  c.seq = nextSeq;
  nextSeq = nextSeq + 1;
  head = head + 1;
}

// A number for a message that does not come from the interrupt.
uint32_t takeSeq() {
  noInterrupts();
  uint32_t n = nextSeq;
  nextSeq = n + 1;
  interrupts();
  return n;
}

bool say(const char *kind, const char *source) {
  char topic[96];
  snprintf(topic, sizeof topic, "rh/%s/%s/%s", SITE, kind, source);
  return mqtt.publish(topic, body);
}

void listen(const char *kind) {
  char topic[96];
  snprintf(topic, sizeof topic, "rh/%s/%s/%s", SITE, kind, AGENT);
  mqtt.subscribe(topic);
}

// The integer behind "name": in a JSON object of integers and one string.
int64_t number(const char *json, const char *name) {
  char quoted[24];
  snprintf(quoted, sizeof quoted, "\"%s\":", name);
  const char *at = strstr(json, quoted);
  return at ? strtoll(at + strlen(quoted), nullptr, 10) : 0;
}

void ask() {
  snprintf(body, sizeof body, "{\"t1_us\":%lld}", (long long)(ticks() + busMinusTicks));
  say("ask", AGENT);
}

// The bus told its half of an exchange: the first sets the clock, the others
// are published, and the service corrects by them.
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
           AGENT, boot, (unsigned long)takeSeq(), (long long)t4, (long long)t1, (long long)t2, (long long)t3, (long long)t4);
  say("sync", AGENT);
}

void stored(const char *json) {
  char mine[32];
  snprintf(mine, sizeof mine, "\"boot\":\"%s\"", boot);
  if (!strstr(json, mine)) return;
  uint32_t upTo = (uint32_t)number(json, "seq");
  while (tail != head && ring[tail % RING].seq <= upTo) tail = tail + 1;
  if ((int32_t)(sent - tail) < 0) sent = tail;
}

void heard(char *topic, uint8_t *payload, unsigned int n) {
  int64_t t4 = ticks() + busMinusTicks;
  char json[256];
  if (n >= sizeof json) return;
  memcpy(json, payload, n);
  json[n] = 0;
  if (strstr(topic, "/told/")) told(json, t4);
  if (strstr(topic, "/stored/")) stored(json);
}

void sendWaiting() {
  while (clockSet && sent != head) {
    const Crossing &c = ring[sent % RING];
    snprintf(body, sizeof body,
             "{\"kind\":\"crossing\",\"agent\":\"%s\",\"boot\":\"%s\",\"seq\":%lu,\"at_us\":%lld,\"gate\":\"%s\",\"edge\":\"%s\"}",
             AGENT, boot, (unsigned long)c.seq, (long long)(c.ticks + busMinusTicks), GATE, c.enter ? "enter" : "leave");
    if (!say("crossing", GATE)) return;
    sent++;
  }
}

// Sends again what has not been stored for 3 s. What is not stored after 200
// times (ten minutes) was refused, and is given up: the Health page says why.
void sendAgain(uint32_t ms) {
  static uint32_t since = 0, oldest = 0, times = 0;
  if (tail != oldest || tail == head) { oldest = tail; since = ms; times = 0; }
  if (ms - since < 3000) return;
  since = ms;
  if (++times > 200) { tail = tail + 1; dropped = dropped + 1; }
  sent = tail;
}

// kept_from_seq says what will not come any more (a sync lost on the way, a
// crossing given up), so that the journal does not wait for it.
void health() {
  uint32_t seq = takeSeq();
  uint32_t kept = tail == head || ring[tail % RING].seq > seq ? seq : ring[tail % RING].seq;
  snprintf(body, sizeof body,
           "{\"kind\":\"health\",\"agent\":\"%s\",\"boot\":\"%s\",\"seq\":%lu,\"at_us\":%lld,\"version\":\"gate.ino 1\","
           "\"rssi_dbm\":%d,\"gates\":[\"%s\"],\"kept_from_seq\":%lu,\"detail\":{\"kept\":%lu,\"dropped\":%lu}}",
           AGENT, boot, (unsigned long)seq, (long long)(ticks() + busMinusTicks), (int)WiFi.RSSI(), GATE,
           (unsigned long)kept, (unsigned long)(head - tail), (unsigned long)dropped);
  say("health", AGENT);
}

void connectBus() {
  if (WiFi.status() != WL_CONNECTED || !mqtt.connect(AGENT, AGENT, PASSWORD)) { delay(500); return; }
  listen("stored");
  listen("told");
  sent = tail;                      // what was on its way may be lost
}

void setup() {
  pinMode(BEAM_PIN, INPUT_PULLUP);
  attachInterrupt(digitalPinToInterrupt(BEAM_PIN), beam, CHANGE);
  WiFi.begin(WIFI_NAME, WIFI_PASSWORD);
  snprintf(boot, sizeof boot, "b%08lx", (unsigned long)esp_random());
  mqtt.setServer(BUS, BUS_PORT);
  mqtt.setCallback(heard);
  mqtt.setBufferSize(1024);
}

void loop() {
  static uint32_t asked = 0, reported = 0, asks = 0;
  if (!mqtt.connected()) { connectBus(); asks = 0; asked = millis() - 10000; return; }
  mqtt.loop();
  sendWaiting();
  uint32_t ms = millis();
  sendAgain(ms);
  if (ms - asked >= (asks < 10 ? 2000u : 10000u)) { asked = ms; asks++; ask(); }
  if (clockSet && ms - reported >= 5000u) { reported = ms; health(); }
}
