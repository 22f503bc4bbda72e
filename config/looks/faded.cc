<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection id="faded" xmlns="urn:ASC:CDL:v1.2">
  <SOPNode><Slope>0.9 0.9 0.9</Slope><Offset>0.05 0.052 0.056</Offset><Power>1 1 1</Power></SOPNode>
  <SatNode><Saturation>0.8</Saturation></SatNode>
</ColorCorrection>
