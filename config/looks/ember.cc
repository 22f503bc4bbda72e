<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection id="ember" xmlns="urn:ASC:CDL:v1.2">
  <SOPNode><Slope>1.06 1.0 0.93</Slope><Offset>0.004 0 0.002</Offset><Power>1.02 1.03 1.02</Power></SOPNode>
  <SatNode><Saturation>1.12</Saturation></SatNode>
</ColorCorrection>
