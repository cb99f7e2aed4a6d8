-- What wrk sends: batches of samples that nobody sent before, by each of its threads; and what it makes of the answers.
local batch = tonumber(os.getenv("LOPSIDE_BATCH"))
local begins_ms = tonumber(os.getenv("LOPSIDE_BEGINS_MS"))
local threads = {}

function setup(thread)
   table.insert(threads, thread)
   thread:set("number", #threads)
end

function init(args)
   sent, acknowledged, shed, bare, other = 0, 0, 0, 0, 0
end

function request()
   sent = sent + 1
   local rows = {}
   for port = 1, batch do
      rows[port] = string.format(
         '{"time":%.3f,"device":"sm-%d-%d","port":"m%d","team":"front","speed_bps":1000000000,' ..
         '"in_octets":%d,"out_octets":%d,"in_packets":%d,"out_packets":%d}',
         (begins_ms + sent) / 1000, number, math.floor((port - 1) / 4), (port - 1) % 4, sent, sent, sent, sent)
   end
   local body = '{"samples":[' .. table.concat(rows, ",") .. "]}"
   return wrk.format("POST", "/v1/samples", {["Content-Type"] = "application/json"}, body)
end

function response(status, headers, body)
   if status == 200 then
      acknowledged = acknowledged + tonumber(string.match(body, '"accepted":(%d+)'))
   elseif status == 429 or status == 503 then
      shed = shed + 1
      if not headers["retry-after"] then bare = bare + 1 end
   else
      other = other + 1
   end
end

function done(summary, latency, requests)
   local told = {acknowledged = 0, shed = 0, bare = 0, other = 0}
   for _, thread in ipairs(threads) do
      for name in pairs(told) do told[name] = told[name] + thread:get(name) end
   end
   io.write(string.format(
      '\n{"acknowledged":%d,"shed":%d,"bare":%d,"other":%d,"requests":%d,"seconds":%.3f,"p99_ms":%.1f}\n',
      told.acknowledged, told.shed, told.bare, told.other, summary.requests, summary.duration / 1e6,
      latency:percentile(99) / 1000))
end
